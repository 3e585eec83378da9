"""The simulated catalogue and the real one answer alike, whatever events they are given."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from refreshd.adapters.catalogue import SqliteCatalogue
from refreshd.cards import PassState, Presence, SlipState
from refreshd.errors import InvariantBrokenError
from refreshd.events import (
    CardCorrected,
    CarePaused,
    CareResumed,
    ChunksProved,
    ClockAttested,
    DigestsRecorded,
    DriveHeld,
    DriveLeft,
    DriveReleased,
    DriveWithdrawn,
    Event,
    FindingAccepted,
    FindingClosed,
    FixityChecked,
    HoldLifted,
    NoticeDelivered,
    PassEnded,
    PassInterrupted,
    PassResumed,
    PolicyTaken,
    PutAwayAsked,
    RewriteRun,
    SlipAnswered,
    SlipLapsed,
    SlipReminded,
    SlipReturned,
    StrangerReported,
)
from refreshd.health_cards import Verdict
from refreshd.ports import CatalogueStore
from refreshd.proving_cards import ProvingStep
from refreshd.quantities import (
    DriveNumber,
    Errand,
    FindingId,
    FindingKind,
    Outcome,
    PassId,
    PassKind,
    SlipNumber,
)
from refreshd.register import ROW_CHUNKS
from refreshd.simulated.catalogue import MemoryCatalogue
from tests.builders import (
    Scribe,
    accessioned,
    arrived,
    begun,
    issued,
    opened,
    some_digests,
    taken_in,
)
from tests.health_builders import (
    NEW_DRIVE,
    SILENT,
    SPEAKING,
    certified,
    health_read,
    proving_begun,
    proving_checkpoint,
    proving_given_up,
    step_result,
    watched,
)

NUMBERS = tuple(DriveNumber(name) for name in ("K07", "K08", "M1"))
CHUNKS = ROW_CHUNKS + 30
EVIDENCE = accessioned(9).evidence
PROVED_DRIVES = (
    NEW_DRIVE,
    replace(NEW_DRIVE, wwn=None),
    replace(NEW_DRIVE, wwn="naa.5000c500deadbef0", serial="ZX-0043"),
    replace(NEW_DRIVE, has_own_names=False),
)
UNTIL = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
FIRST_DAY = date(2026, 3, 1)


class Chance:
    """Draws events, most of them such as a program would record, some such as it never would."""

    def __init__(self, seed: int, reader: CatalogueStore) -> None:
        self._random = Random(seed)
        self._reader = reader

    def events(self) -> list[Event]:
        """Return the events of one transaction."""
        return [event for _ in range(self._random.randint(1, 2)) for event in self._some()]

    def _some(self) -> Iterable[Event]:
        number = self._random.choice(NUMBERS)
        if number not in {card.number for card in self._reader.drives()}:
            return self._accession(number)
        draws = (
            self._begin, self._begin, self._digests, self._proved, self._proved,
            self._finding, self._settle, self._card, self._pass,
            self._slip, self._slip, self._stay, self._house, self._health, self._health,
            self._proving, self._proving,
        )  # fmt: skip
        return self._random.choice(draws)(number)

    def _run(self) -> tuple[int, int]:
        first = self._random.randint(0, CHUNKS - 1)
        return first, self._random.randint(1, min(200, CHUNKS - first))

    def _day(self) -> date:
        return FIRST_DAY + timedelta(days=self._random.randint(0, 400))

    def _unfinished(self, number: DriveNumber) -> list[PassState]:
        states = (self._reader.unfinished_pass(number, kind) for kind in PassKind)
        return [state for state in states if state is not None]

    def _pass_id(self, number: DriveNumber) -> PassId:
        unfinished = self._unfinished(number)
        if unfinished and self._random.random() < 0.95:
            return self._random.choice(unfinished).id
        return PassId(f"{number}/1")

    def _accession(self, number: DriveNumber) -> Iterable[Event]:
        if self._random.random() < 0.2:
            return [accessioned(CHUNKS, number)]
        return taken_in(CHUNKS, number, self._day())

    def _begin(self, number: DriveNumber) -> Iterable[Event]:
        passes = self._reader.drive(number).passes
        return [begun(passes + 1, self._random.choice(list(PassKind)), number)]

    def _digests(self, number: DriveNumber) -> Iterable[Event]:
        first, count = self._run()
        digests = some_digests(count, first)
        pass_id = self._pass_id(number)
        return [DigestsRecorded(drive=number, pass_id=pass_id, first_chunk=first, digests=digests)]

    def _proved(self, number: DriveNumber) -> Iterable[Event]:
        (first, count), hole = self._run(), self._run()
        return [
            ChunksProved(
                drive=number,
                pass_id=self._pass_id(number),
                next_chunk=first + count,
                rewritten=(RewriteRun(first_chunk=first, count=count, written_on=self._day()),),
                holes=(hole,) if self._random.random() < 0.3 else (),
                bytes_rewritten=count,
            )
        ]

    def _finding(self, number: DriveNumber) -> Iterable[Event]:
        kind = self._random.choice(list(FindingKind))
        serial = int(self._reader.next_finding_id()[1:])
        chunk = self._random.randrange(CHUNKS)
        return [opened(serial, chunk, kind, self._pass_id(number), number)]

    def _settle(self, number: DriveNumber) -> Iterable[Event]:
        known = [finding.id for finding in self._reader.findings(number)]
        finding = self._random.choice([FindingId("F1"), *known * 5])
        first, count = self._run()
        if self._random.random() < 0.5:
            return [FindingClosed(drive=number, pass_id=None, finding_id=finding, how="mended")]
        return [
            FindingAccepted(
                drive=number,
                finding_id=finding,
                first_chunk=first,
                digests=some_digests(count, 5),
                said_by="the owner",
            )
        ]

    def _card(self, number: DriveNumber) -> Iterable[Event]:
        return [
            self._random.choice(
                (
                    CardCorrected(drive=number, title="", claimed_written_on=self._day()),
                    DriveHeld(drive=number, reason="differs"),
                    HoldLifted(drive=number, reason="looked"),
                    ClockAttested(said_by="the owner"),
                    DriveWithdrawn(drive=number if self._random.random() < 0.1 else NUMBERS[2]),
                )
            )
        ]

    def _pass(self, number: DriveNumber) -> Iterable[Event]:
        pass_id = self._pass_id(number)
        kinds = {state.id: state.kind for state in self._unfinished(number)}
        checked = FixityChecked(
            drive=number,
            pass_id=pass_id,
            moment=self._random.choice(("whole", "closing")),
            method="lagged",
            bytes_checked=self._random.randrange(9000),
            chunks_matched=1,
            chunks_differing=0,
            chunks_unreadable=0,
        )
        over = PassEnded(
            drive=number,
            pass_id=pass_id,
            pass_kind=kinds.get(pass_id, PassKind.FIXITY),
            reached_end=self._random.random() < 0.7,
            checked_on=self._random.choice((None, self._day())),
            findings=1,
        )
        here = Presence("boot-b", self._random.randrange(9))
        resumed = PassResumed(drive=number, pass_id=pass_id, presence=here, next_chunk=0)
        stopped = PassInterrupted(drive=number, pass_id=pass_id, reason="asked")
        return [self._random.choice((checked, over, over, resumed, stopped))]

    def _slip(self, number: DriveNumber) -> Iterable[Event]:
        open_ones = self._reader.slips(number)
        if not open_ones or self._random.random() < 0.05:
            errand = self._random.choice((Errand.REFRESH, Errand.PUT_AWAY))
            return [issued(self._reader.next_slip_number(), number, errand)]
        slip = open_ones[0].number
        fitting: dict[SlipState, list[Event]] = {
            SlipState.ISSUED: [
                SlipAnswered(drive=number, slip=slip),
                SlipLapsed(drive=number, slip=slip, why="nobody answered"),
            ],
            SlipState.ANSWERED: [PutAwayAsked(drive=number, slip=slip, is_done=True, note="done")],
            SlipState.TO_PUT_AWAY: [SlipReturned(drive=number, slip=slip, how="unplugged")],
        }
        escalated = self._random.random() < 0.3
        reminded = SlipReminded(drive=number, slip=slip, is_escalated=escalated)
        state = self._random.choice([open_ones[0].state] * 9 + list(fitting))
        return [self._random.choice([*fitting[state], reminded])]

    def _stay(self, number: DriveNumber) -> Iterable[Event]:
        here = {stay.drive for stay in self._reader.stays()}
        if number not in here and self._random.random() < 0.95:
            return [arrived(number, Presence("boot-b", self._random.randrange(9)))]
        released = DriveReleased(drive=number, how="spun down")
        return [self._random.choice((released, DriveLeft(drive=number, note="pulled out")))]

    def _house(self, number: DriveNumber) -> Iterable[Event]:
        slips = [slip.number for slip in self._reader.slips()]
        channel = self._random.choice(("post", "wall"))
        stages = tuple((slip, "issued") for slip in slips[:2])
        return [
            self._random.choice(
                (
                    NoticeDelivered(channel=channel, stages=stages),
                    StrangerReported(evidence=EVIDENCE, place="/dev/sdc"),
                    CarePaused(said_by="kim", until=self._random.choice((None, UNTIL))),
                    CareResumed(said_by="kim"),
                    PolicyTaken(file="policy.toml", sha256=f"{self._random.randrange(9):064}"),
                    CardCorrected(drive=number, holding=self._random.choice(("", "harbour"))),
                )
            )
        ]

    def _health(self, number: DriveNumber) -> Iterable[Event]:
        verdict = self._random.choice(list(Verdict))
        event = health_read(verdict, number, self._random.choice((SPEAKING, SILENT)))
        if self._random.random() < 0.05:
            return [event.model_copy(update={"outcome": self._random.choice(list(Outcome))})]
        return [self._random.choice((event, watched(number, 1, self._random.randrange(4))))]

    def _proving(self, _: DriveNumber) -> Iterable[Event]:
        unfinished = self._reader.unfinished_provings()
        begin = proving_begun(
            int(self._reader.next_proving_id()[1:]), self._random.choice(PROVED_DRIVES)
        )
        if not unfinished or self._random.random() < 0.3:
            return [begin]
        proving = self._random.choice(unfinished)
        number = int(proving.id[1:])
        step = self._random.choice(list(ProvingStep))
        result = step_result(step, self._random.choice(list(Outcome)))
        outcome = self._random.choice((Outcome.FAIL, Outcome.FAIL, Outcome.SUCCESS))
        return [
            self._random.choice(
                (
                    proving_checkpoint(number, step, self._random.randrange(9), (result,)),
                    proving_checkpoint(number, step, self._random.randrange(9)),
                    certified(number, outcome, proving.results, proving.evidence, proving.begun_at),
                    proving_given_up(self._random.choice((number, number, number, 1))),
                    accessioned(CHUNKS, NUMBERS[2]).model_copy(
                        update={"evidence": self._random.choice(PROVED_DRIVES)}
                    ),
                )
            )
        ]


def everything(store: CatalogueStore) -> list[object]:
    """Return all that a catalogue can be asked."""
    answers: list[object] = [store.head(), store.drives(), store.findings()]
    answers += [store.next_finding_id(), store.shelf_rows(), store.next_slip_number()]
    answers += [store.slips(), store.deliveries(), store.stays(), store.pause()]
    answers += [store.policy_taken(), store.is_reported(EVIDENCE)]
    answers += [store.unfinished_provings(), store.certificates(), store.next_proving_id()]
    answers += [store.certificates(drive) for drive in PROVED_DRIVES]
    answers += [store.slip(SlipNumber(one)) for one in range(1, store.next_slip_number())]
    for number in NUMBERS:
        try:
            answers.append(store.drive(number))
        except Exception as err:  # noqa: BLE001 - errors must agree as well
            answers.append((type(err), str(err)))
            continue
        answers += [store.recorded_chunks(number), store.digests(number, 0, CHUNKS)]
        answers += [list(store.written_days(number, 0, CHUNKS)), store.findings(number)]
        answers += [store.unfinished_pass(number, kind) for kind in PassKind]
        answers += [store.passes(number), store.oldest_written(number)]
        answers += [store.health(number), store.watches(number)]
    return answers


def apply_or_refuse(store: CatalogueStore, scribe: Scribe, events: list[Event]) -> str:
    """Apply events, or return why they were refused."""
    try:
        store.apply(scribe.fork().entries(*events))
    except InvariantBrokenError as err:
        return str(err)
    return ""


@pytest.mark.parametrize("seed", range(8))
def test_both_catalogues_give_the_same_answers(seed: int) -> None:
    """What a simulated power cut proves about the one holds for the other."""
    taken = refused = 0
    with tempfile.TemporaryDirectory() as room:
        memory = MemoryCatalogue()
        with SqliteCatalogue.for_writing(Path(room) / "catalogue.sqlite") as file:
            chance, scribe = Chance(seed, memory), Scribe()
            for _ in range(120):
                events = chance.events()
                why = apply_or_refuse(memory, scribe, events)

                assert apply_or_refuse(file, scribe, events) == why
                if why:
                    refused += 1
                else:
                    scribe.entries(*events)
                    taken += 1
                    assert everything(file) == everything(memory)
    print(f"seed {seed}: {taken} transactions taken, {refused} refused")  # noqa: T201

    held = memory.snapshot()
    assert held.readings
    assert held.watches
    assert held.last_proving > 0
    assert taken > 30
    assert refused > 5
