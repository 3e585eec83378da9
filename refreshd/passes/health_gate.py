"""
Health before a pass, in the middle of it and after it: who may be written to, and what changed.

    when        what is asked      what follows from "do not write"
    before      all pages          a refresh is refused before it begins; what only reads goes on
    during      few commands       see `refreshd.passes.watch`; from then on no byte is written
    after       all pages          the drive is on hold from now on

The hold is what lasts: it is written down as soon as the verdict is known, ahead of the reading
itself, and stands until somebody lifts it. It comes back while the drive itself says that it is
failing, and with whatever is new after the lifting.

A drive that goes away at a question is written down as one that did (`refreshd.health.left_alone`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from refreshd.cards import DriveCard
from refreshd.errors import DriveError, DriveGoneError, DriveHeldError
from refreshd.events import DriveHeld, HealthRead
from refreshd.health import judge
from refreshd.health.left_alone import NOT_ASKED, WENT_AWAY, is_left_alone
from refreshd.health_cards import (
    Moment,
    RawPages,
    Route,
    SelfTest,
    SelfTestKind,
    Verdict,
    Vital,
)
from refreshd.pages import assemble
from refreshd.passes.bench import Bench
from refreshd.ports import Clock, Examiner, Lanes, Ledger
from refreshd.quantities import DriveNumber, PassId, PassKind

R = TypeVar("R")

SAYS_FAILING = "it says of itself that it is failing"
WHAT_TO_DO = "It may still be read: copy its content to another drive, and replace it"


def take_reading(
    ledger: Ledger,
    clock: Clock,
    number: DriveNumber,
    examiner: Examiner,
    moment: Moment,
    pass_id: PassId | None = None,
) -> HealthRead:
    """
    Ask a drive in care how it is, judge it by its series, and write both down.

    A drive that is not to be written to is put on hold, if it is on none. Asks the drive in
    this thread: where it might hang, hand over an `AsideExaminer`.

    Raises:
        DriveGoneError: It answers no more. That is written down.
        RecordFailedError, ClockError: The record takes nothing.

    """
    try:
        pages = examiner.read()
    except DriveGoneError:
        went_away(ledger, clock, number, moment, pass_id)
        raise
    return enter(ledger, judged(ledger, clock, number, pages, moment, pass_id))


def went_away(
    ledger: Ledger,
    clock: Clock,
    number: DriveNumber,
    moment: Moment,
    pass_id: PassId | None = None,
) -> None:
    """Write down that a drive was asked how it is, and went away at that."""
    pages = RawPages(Route.SILENT, silence=WENT_AWAY)
    enter(ledger, judged(ledger, clock, number, pages, moment, pass_id))


def judged(
    ledger: Ledger,
    clock: Clock,
    number: DriveNumber,
    pages: RawPages,
    moment: Moment,
    pass_id: PassId | None = None,
) -> HealthRead:
    """Return what is to be written down of a drive's answers; write nothing."""
    reading = assemble(pages)
    looked_at = ledger.drive(number).hold_lifted_at
    judgement = judge(ledger.health(number), reading, clock.now(), moment, looked_at)
    return HealthRead(
        drive=number,
        outcome=judgement.verdict.outcome,
        moment=moment,
        pass_id=pass_id,
        reading=reading,
        verdict=judgement.verdict,
        evidence=judgement.evidence,
        changes=judgement.changes,
        pages=dict(pages.pages),
    )


def enter(ledger: Ledger, event: HealthRead) -> HealthRead:
    """Write a reading down; first of all the hold that follows from it."""
    # A cut between the two must not leave a drive free to be written to that said so.
    if event.verdict is Verdict.DO_NOT_WRITE:
        hold(ledger, event.drive, reason_of(event))
    ledger.record(event)
    return event


def hold(ledger: Ledger, number: DriveNumber, reason: str) -> None:
    """Put a drive on hold, unless it is on hold already."""
    if ledger.drive(number).hold is None:
        ledger.record(DriveHeld(drive=number, reason=reason))


def reason_of(event: HealthRead) -> str:
    """Return the sentences that led to the verdict, as one."""
    found = [line.sentence.rstrip(".") for line in event.evidence if line.verdict is event.verdict]
    return "; ".join(found) or f"its health says: {event.verdict}"


def ask_before(bench: Bench, card: DriveCard, kind: PassKind) -> HealthRead | None:
    """
    Ask a drive how it is before a pass, and return what is to be written down once it began.

    None: there is nobody to ask.

    Raises:
        DriveHeldError: It is not to be written to, and this is a refresh. Both are written down.
        DriveGoneError, DriveHungError: It does not answer.

    """
    if bench.examiner is None:
        return None
    event = judged(
        bench.ledger, bench.clock, card.number, _pages_before(bench, card.number), Moment.BEFORE
    )
    if kind is PassKind.REFRESH and event.verdict is Verdict.DO_NOT_WRITE:
        enter(bench.ledger, event)
        raise DriveHeldError(
            f"{card.number} is not rewritten: {reason_of(event)}. {WHAT_TO_DO}. Nothing was "
            f"written, and {card.number} is on hold"
        )
    return event


def _pages_before(bench: Bench, number: DriveNumber) -> RawPages:
    examiner, ledger, clock = bench.examiner, bench.ledger, bench.clock
    if examiner is None or is_left_alone(ledger.health(number), Moment.BEFORE, clock.now()):
        return RawPages(Route.SILENT, silence=NOT_ASKED)
    try:
        return AsideExaminer.of(examiner, bench.lanes).read()
    except DriveGoneError:
        went_away(ledger, clock, number, Moment.BEFORE)
        raise


def hold_failing(bench: Bench, number: DriveNumber, pass_id: PassId) -> None:
    """Put a drive on hold that says in mid-pass that it is failing, then ask it for all pages."""
    hold(bench.ledger, number, SAYS_FAILING)
    if bench.examiner is None:
        return
    examiner = AsideExaminer.of(bench.examiner, bench.lanes)
    try:
        pages = examiner.read()
    except DriveError:
        return  # The hold stands; what else it had to say is lost with it.
    enter(bench.ledger, judged(bench.ledger, bench.clock, number, pages, Moment.DURING, pass_id))


def read_after(bench: Bench, number: DriveNumber, pass_id: PassId) -> HealthRead | None:
    """Ask a drive how it is after a pass; None: there is nobody to ask."""
    if bench.examiner is None:
        return None
    examiner = AsideExaminer.of(bench.examiner, bench.lanes)
    return take_reading(bench.ledger, bench.clock, number, examiner, Moment.AFTER, pass_id)


def sentences_before(event: HealthRead) -> Iterator[str]:
    """Yield what whoever watches should know of a drive before its pass."""
    if event.reading.route is Route.SILENT:
        yield (
            f"{event.drive} says nothing of its health, which is not the same as being well: "
            f"{event.reading.silence or 'no reason is known'}."
        )
        return
    yield from event.changes
    if event.verdict.severity >= Verdict.WATCH.severity:
        yield f"The health of {event.drive} says: {event.verdict}. {reason_of(event)}."


def sentences_after(event: HealthRead, *, was: Verdict) -> Iterator[str]:
    """Yield what the pass changed in a drive, and a verdict that got worse with it."""
    yield from event.changes
    if event.verdict.severity > max(was.severity, Verdict.FIT.severity):
        yield f"The health of {event.drive} now says: {event.verdict}. {reason_of(event)}."
    if event.verdict is Verdict.DO_NOT_WRITE and was is not Verdict.DO_NOT_WRITE:
        yield f"{event.drive} is on hold, nothing is written to it any more. {WHAT_TO_DO}."


@dataclass(frozen=True, slots=True)
class AsideExaminer:
    """`ports.Examiner` that asks beside the caller: one that hangs raises DriveHungError."""

    examiner: Examiner
    lanes: Lanes

    @classmethod
    def of(cls, examiner: Examiner, lanes: Lanes) -> AsideExaminer:
        """Return one that asks beside the caller, never beside itself: that would wait for ever."""
        return cls(directly(examiner), lanes)

    def read(self) -> RawPages:
        """Ask for all pages."""
        return self._aside(self.examiner.read)

    def vital(self) -> Vital:
        """Ask for the temperature, and whether it says that it is failing."""
        return self._aside(self.examiner.vital)

    def is_asleep(self) -> bool | None:
        """Say whether it stands still."""
        return self._aside(self.examiner.is_asleep)

    def start_self_test(self, kind: SelfTestKind) -> bool:
        """Start a self-test."""
        return self._aside(lambda: self.examiner.start_self_test(kind))

    def self_test(self) -> SelfTest | None:
        """Return the self-test under way, or the last one."""
        return self._aside(self.examiner.self_test)

    def self_test_minutes(self, kind: SelfTestKind) -> int | None:
        """Return how long a self-test takes."""
        return self._aside(lambda: self.examiner.self_test_minutes(kind))

    def _aside(self, act: Callable[[], R]) -> R:
        return self.lanes.aside(act)()


def directly(examiner: Examiner) -> Examiner:
    """Return the examiner that asks in the caller's thread, for a caller that is a lane itself."""
    return examiner.examiner if isinstance(examiner, AsideExaminer) else examiner
