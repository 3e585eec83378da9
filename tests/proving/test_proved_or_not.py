"""A drive that was never proved: said at accession and refresh, or refused, by the policy."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

import pytest

from refreshd.adapters.image import ImageFile
from refreshd.cards import Carrier, Evidence
from refreshd.configfile import LoadedPolicy, load
from refreshd.drive import LOOP_MODEL
from refreshd.errors import RefusedError
from refreshd.messages import MESSAGES, Said, VisitEnded
from refreshd.orders import ACCESSION, VISIT, Order
from refreshd.passes.proving.gate import heed_proof, proof_missing
from refreshd.policy_values import Unproved
from refreshd.ports import ProvingWish, Seat
from refreshd.quantities import KIB, DriveNumber, Outcome, PassKind
from refreshd.simulated.clock import SimulatedClock
from refreshd.telling.as_json import drive_object
from refreshd.telling.shelf import drive_lines
from refreshd.verbs.care import Accession, take_in
from refreshd.verbs.looking import look_at
from refreshd.verbs.passes import refresh
from refreshd.verbs.proving import prove
from refreshd.wiring.station import Station
from refreshd.worker.acts import ACTS, Workplace
from refreshd.worker.speaking import Speaker, StopRequest
from tests.fakes.proving_room import NewDrive, ProvingRoom, TestingExaminer
from tests.fakes.room import QuietAttendant

K07 = DriveNumber("K07")
NEVER = "it was never proved: there is no certificate of an acceptance test"
SIZE = 2048 * KIB


@dataclass(frozen=True)
class Named:
    """A drive that says its serial, with its bytes in a file."""

    path: Path

    def open(self, path: str) -> ImageFile:
        """Open it."""
        medium = NamedImage.open(path)
        medium.serial = self.path.stem
        return medium


class NamedImage(ImageFile):
    """An image that passes for a drive with a name of its own."""

    serial = ""

    def evidence(self) -> Evidence:
        """Return what it says."""
        said = super().evidence()
        return replace(
            said,
            carrier=Carrier.BLOCK,
            model="INVENTED",
            serial=self.serial,
            has_own_names=True,
        )


def policy_of(tmp_path: Path, unproved: str) -> LoadedPolicy:
    """Return a policy that says or refuses."""
    path = tmp_path / f"{unproved}.toml"
    text = f'[defaults]\nchunk_size = "64 KiB"\nleast_age = "none"\nunproved = "{unproved}"\n'
    path.write_text(text, encoding="utf-8")
    return load(path)


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    """Return the bytes of a new drive."""
    path = tmp_path / "INV-1.img"
    path.write_bytes(bytes(SIZE))
    return path


@pytest.fixture
def station(tmp_path: Path, drive: Path) -> Station:
    """Return a station that reaches the drive, and only says."""
    return Station(
        tmp_path / "state",
        policy_of(tmp_path, "say"),
        SimulatedClock(),
        QuietAttendant(),
        open_medium=Named(drive).open,
        examiner_of=lambda _: TestingExaminer(clock=SimulatedClock()),
        staging_objection=lambda _folder, _path: None,
    )


def said(station: Station) -> str:
    """Return all that was said."""
    assert isinstance(station.attendant, QuietAttendant)
    return " ".join(station.attendant.sentences)


def accession(drive: Path) -> Accession:
    """Return a drive as it is handed in."""
    return Accession(str(drive), K07, "R2-B04-S3", "Harbour survey")


def filled(drive: Path) -> None:
    """Let somebody copy content to a drive."""
    drive.write_bytes(Random(7).randbytes(SIZE))


def proved(station: Station, drive: Path) -> None:
    """Prove a drive with as little waiting as can be."""
    wish = ProvingWish(leaves_out_extended_test=True)
    assert prove(station, str(drive), wish).outcome is not Outcome.FAIL


def test_an_accession_says_that_a_drive_was_never_proved(station: Station, drive: Path) -> None:
    """By default nobody is stopped, but nobody can say that it was not told."""
    filled(drive)

    taken = take_in(station, accession(drive))

    assert taken.card.is_taken_in
    assert f"K07: {NEVER}." in said(station)


def test_a_refresh_says_it_again(station: Station, drive: Path) -> None:
    """As long as the drive has no certificate."""
    filled(drive)
    take_in(station, accession(drive))
    again = QuietAttendant()

    report = refresh(replace(station, attendant=again), K07, str(drive))

    assert report.stopped_by is None
    assert f"K07: {NEVER}." in again.sentences


def test_a_drive_that_was_proved_is_taken_in_without_a_word(station: Station, drive: Path) -> None:
    """The certificate is found by the names that the drive gives itself."""
    proved(station, drive)
    filled(drive)

    take_in(station, accession(drive))

    assert "proved:" not in said(station).replace("never proved", "")
    assert NEVER not in said(station)


def test_the_card_of_a_drive_leads_to_its_certificate(station: Station, drive: Path) -> None:
    """A successor who has only the number on the case finds what the drive was taken in on."""
    proved(station, drive)
    filled(drive)
    take_in(station, accession(drive))

    view = look_at(station, K07)
    lines = list(drive_lines(view))

    assert re.match(r"it passed its proving P1 on \d{4}-\d\d-\d\d", view.proof)
    assert "`refreshd prove --show P1` shows its certificate" in view.proof
    assert f"I{view.proof[1:]}." in lines
    assert drive_object(view)["proof"] == view.proof


def test_the_card_says_that_a_drive_was_never_proved(station: Station, drive: Path) -> None:
    """Likewise."""
    filled(drive)
    take_in(station, accession(drive))

    assert look_at(station, K07).proof == NEVER


def test_the_policy_can_insist_at_the_accession(
    station: Station, drive: Path, tmp_path: Path
) -> None:
    """Refused before anything is recorded, with what to do; after the proving it goes."""
    filled(drive)
    strict = replace(station, policy=policy_of(tmp_path, "refuse"))

    with pytest.raises(RefusedError) as refused:
        take_in(strict, accession(drive))

    assert "refreshd prove PATH" in str(refused.value)
    assert "[drive.K07]" in str(refused.value)
    drive.write_bytes(bytes(SIZE))
    proved(strict, drive)
    filled(drive)
    assert take_in(strict, accession(drive)).card.is_taken_in


def test_the_policy_can_insist_at_every_refresh(
    station: Station, drive: Path, tmp_path: Path
) -> None:
    """I9: a drive without a certificate is then never written to."""
    filled(drive)
    take_in(station, accession(drive))
    before = drive.read_bytes()

    with pytest.raises(RefusedError, match="unproved"):
        refresh(replace(station, policy=policy_of(tmp_path, "refuse")), K07, str(drive))

    assert drive.read_bytes() == before


@pytest.mark.parametrize("act", [ACCESSION, VISIT])
@pytest.mark.parametrize("unproved", ["say", "refuse"])
def test_the_service_says_and_insists_as_well(
    station: Station, drive: Path, tmp_path: Path, act: str, unproved: str
) -> None:
    """A worker runs the same verbs: it tells what is missing, or ends its visit refused."""
    filled(drive)
    if act == VISIT:
        take_in(station, accession(drive))
    order = Order(
        act,
        str(drive),
        None,
        station.state,
        drive="K07",
        kind=PassKind.REFRESH if act == VISIT else None,
        shelfmark="R2-B04-S3",
        title="Harbour survey",
    )

    messages = _worked(replace(station, policy=policy_of(tmp_path, unproved)), order)

    (ended,) = [one for one in messages if isinstance(one, VisitEnded)]
    if unproved == "refuse":
        assert ended.error is not None
        assert ended.error.kind == "RefusedError"
        assert NEVER in ended.error.message
    else:
        sentences = [one.sentence for one in messages if isinstance(one, Said)]
        assert f"K07: {NEVER}." in sentences
        assert ended.error is None


def _worked(station: Station, order: Order) -> list[object]:
    """Let a worker do an act in this process; return what it told."""
    reads, writes = os.pipe()
    speaker = Speaker(writes, station.clock, StopRequest())
    seat = Seat(order.node, order.sequence)
    ACTS[order.act](Workplace(replace(station, attendant=speaker), seat, speaker), order)
    os.close(writes)
    with os.fdopen(reads, "rb") as told:
        return [MESSAGES.validate_json(line) for line in told.read().splitlines()]


# ── the rule itself ──


def evidence(**facts: object) -> Evidence:
    """Return what a drive says of itself."""
    named = Evidence(Carrier.BLOCK, 10**9, 512, 512, None, "INVENTED", "S1", has_own_names=True)
    return replace(named, **facts)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "found",
    [
        evidence(carrier=Carrier.IMAGE, model=None, serial=None),
        evidence(carrier=Carrier.FOLDER, model=None, serial=None),
        evidence(model=LOOP_MODEL, serial=None),
    ],
)
def test_what_is_no_drive_needs_no_proof(found: Evidence) -> None:
    """Images, folders and loop devices are let through by either word of the policy."""
    ledger = ProvingRoom().ledger

    heed_proof(ledger, K07, found, Unproved.REFUSE, QuietAttendant())


@pytest.mark.parametrize("found", [evidence(has_own_names=False), evidence(serial=None)])
def test_a_drive_without_names_of_its_own_is_not_taken_for_a_proved_one(found: Evidence) -> None:
    """Never claim more than was proved: the names of a dock are those of every drive in it."""
    ledger = ProvingRoom().ledger

    missing = proof_missing(ledger, found)

    assert missing is not None
    assert "cannot be told" in missing


def test_a_drive_that_failed_its_proving_is_said_to_have_failed() -> None:
    """The last certificate counts, and the sentence names it."""
    room = ProvingRoom(drive=NewDrive)
    room.examiner = TestingExaminer(clock=room.clock, is_failing=True)
    room.prove()

    missing = proof_missing(room.ledger, room.drive.evidence())

    assert missing is not None
    assert "failed its proving P1" in missing
    assert "prove --show P1" in missing


def test_a_later_proving_that_ended_well_mends_that() -> None:
    """A failed proving behind a bad cable is no verdict for ever."""
    room = ProvingRoom(drive=NewDrive)
    room.examiner = TestingExaminer(clock=room.clock, is_failing=True)
    room.prove()
    room.examiner = TestingExaminer(clock=room.clock)
    room.prove(seed="b" * 32)

    assert proof_missing(room.ledger, room.drive.evidence()) is None


def test_reading_alone_does_not_mend_what_failed_by_writing() -> None:
    """A drive that holds less than it claims can be read from end to end without a complaint."""
    room = ProvingRoom(drive=NewDrive)
    room.examiner = TestingExaminer(clock=room.clock, is_failing=True)
    room.prove()
    room.examiner = TestingExaminer(clock=room.clock)
    assert room.prove(ProvingWish(is_reading_only=True)).outcome is not Outcome.FAIL

    assert "failed its proving P1" in (proof_missing(room.ledger, room.drive.evidence()) or "")


def test_a_drive_that_was_only_read_is_said_to_have_been_only_read() -> None:
    """It is let through, since a drive with content cannot be proved by more; but it is said."""
    room = ProvingRoom(drive=NewDrive)
    room.prove(ProvingWish(is_reading_only=True))
    attendant = QuietAttendant()

    heed_proof(room.ledger, K07, room.drive.evidence(), Unproved.REFUSE, attendant)

    assert attendant.sentences == [
        "K07: its proving P1 only read it: neither writing nor its capacity was tested."
    ]
