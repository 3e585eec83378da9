"""The acts: each tells what comes of it, errors of the world included."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from refreshd.cards import Evidence
from refreshd.drive import identify as which_drive
from refreshd.errors import (
    ClockError,
    DriveHungError,
    InvariantBrokenError,
    MistakenDriveError,
    RefreshdError,
    UnknownDriveError,
    UsageError,
)
from refreshd.messages import (
    Identified,
    IdentityUnclear,
    Released,
    ReleaseFailed,
    VisitEnded,
    told,
    told_report,
)
from refreshd.orders import ACCESSION, IDENTIFY, PROVING, RELEASE, REST, VISIT, Order
from refreshd.policy import resolve
from refreshd.policy_values import is_drive_number
from refreshd.ports import Seat
from refreshd.quantities import DriveNumber, MediumKind, Outcome, PassKind
from refreshd.wiring.releasing import release_at, rest_at
from refreshd.wiring.search import AnyMedium, Desk, let_go
from refreshd.wiring.shelf import shelf_for_reading, shelf_for_writing
from refreshd.wiring.station import Station
from refreshd.wiring.visits import desk_laid, lanes_for
from refreshd.worker.speaking import Speaker

if TYPE_CHECKING:
    from refreshd.passes.bench import PassReport

FINDINGS = 1

R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class Workplace:
    """A station that reaches one seat, and who is told."""

    station: Station
    seat: Seat
    speaker: Speaker


@dataclass(frozen=True, slots=True)
class Done:
    """How an act ended: the exit code, and whether a request hangs in the kernel."""

    exit_code: int
    is_hung: bool = False


def _failed(error: RefreshdError) -> Done:
    return Done(error.exit_code, isinstance(error, DriveHungError))


def identify(work: Workplace, _order: Order) -> Done:
    """Say which drive is at the seat. Nothing is written to it."""
    try:
        found = _identified(work)
    except RefreshdError as err:
        work.speaker.tell(IdentityUnclear(error=told(err)))
        return _failed(err)
    work.speaker.tell(found)
    return Done(0)


def _identified(work: Workplace) -> Identified:
    station = work.station
    policy = resolve(station.policy.policy, MediumKind.HARD_DISK)
    with shelf_for_reading(station) as shelf, desk_laid(station, shelf, policy) as desk:
        medium = desk.open(work.seat.node)
        try:
            evidence = desk.lanes.aside(medium.evidence)()
            number = _number_of(desk, medium, evidence)
            return Identified(drive=number, evidence=evidence, presence=medium.presence())
        finally:
            let_go(desk.lanes, medium)


def _number_of(desk: Desk, medium: AnyMedium, evidence: Evidence) -> DriveNumber | None:
    """Return which drive in care this is; None for one that is in nobody's care."""
    try:
        return which_drive(evidence, desk.shelf.ledger.drives(), desk.sampler(medium)).number
    except UnknownDriveError:
        # One of ours that fails where its names stand must not pass for a stranger.
        desk.refuse_unreadable(medium)
        return None
    except MistakenDriveError as err:
        with shelf_for_writing(desk.station) as shelf, suppress(ClockError):
            replace(desk, shelf=shelf).refuse_identity(medium, err)
        raise


def visit(work: Workplace, order: Order) -> Done:
    """Run a fixity or refresh pass on the drive at the seat, or only ask it how it is."""
    from refreshd.verbs.passes import check, refresh  # noqa: PLC0415 - time that a release saves.

    number = DriveNumber(order.drive)
    try:
        if not is_drive_number(order.drive):
            raise UsageError(f'"{order.drive}" is no accession number')
        if order.kind is PassKind.HEALTH:
            return _health_read(work, order)
        if order.kind is PassKind.REFRESH:
            closing = order.is_closing
            report = refresh(work.station, number, work.seat.node, is_closing=closing)
        else:
            report = check(work.station, number, work.seat.node)
    except RefreshdError as err:
        return _visit_failed(work, order, err)
    return _visit_ended(work, order, report)


def _health_read(work: Workplace, order: Order) -> Done:
    """Take a health reading. A disk that is asleep, and may be, is left so."""
    from refreshd.verbs.health_reading import read_health  # noqa: PLC0415 - see `visit`.

    number = DriveNumber(order.drive)
    event = read_health(work.station, number, work.seat.node, lets_sleep=order.lets_sleep)
    ended = VisitEnded(
        drive=number,
        pass_kind=PassKind.HEALTH,
        outcome=Outcome.SUCCESS if event is None else event.outcome,
        is_complete=True,
        findings=0,
        was_asleep=event is None,
    )
    work.speaker.tell(ended)
    return Done(0)


def proving(work: Workplace, order: Order) -> Done:
    """Prove the disk at the seat, which is in nobody's care."""
    from refreshd.verbs.proving import prove  # noqa: PLC0415 - see `visit`.

    try:
        certificate = prove(work.station, work.seat.node, order.proving_wish)
    except RefreshdError as err:
        return _visit_failed(work, order, err)
    ended = VisitEnded(
        drive=None,
        pass_kind=PassKind.PROVING,
        outcome=certificate.outcome,
        is_complete=True,
        findings=0,
        certificate=certificate,
    )
    work.speaker.tell(ended)
    return Done(FINDINGS if certificate.outcome is Outcome.FAIL else 0)


def accession(work: Workplace, order: Order) -> Done:
    """Take the disk at the seat into care."""
    from refreshd.verbs.care import Accession, take_in  # noqa: PLC0415 - see `visit`.

    wanted = Accession(
        path=work.seat.node,
        number=DriveNumber(order.drive),
        shelfmark=order.shelfmark,
        title=order.title,
        medium=order.medium,
        written_on=order.written_on,
        holding=order.holding,
    )
    try:
        taken = take_in(work.station, wanted)
    except RefreshdError as err:
        return _visit_failed(work, order, err)
    if taken.report is None:
        raise InvariantBrokenError("a disk is taken in by a pass over its chunks")
    return _visit_ended(work, order, taken.report)


def _visit_failed(work: Workplace, order: Order, err: RefreshdError) -> Done:
    """Tell of a visit that ended before its pass began."""
    work.speaker.tell(
        VisitEnded(
            drive=DriveNumber(order.drive) or None,
            pass_kind=order.pass_kind,
            outcome=Outcome.FAIL,
            is_complete=False,
            findings=0,
            error=told(err),
        )
    )
    return _failed(err)


def _visit_ended(work: Workplace, order: Order, report: PassReport) -> Done:
    error = report.stopped_by
    work.speaker.tell(
        VisitEnded(
            drive=report.drive,
            pass_kind=order.pass_kind,
            outcome=report.outcome,
            is_complete=error is None,
            findings=len(report.findings),
            error=None if error is None else told(error),
            report=told_report(report),
        )
    )
    if error is not None:
        return _failed(error)
    return Done(FINDINGS if report.findings else 0)


def rest(work: Workplace, _order: Order) -> Done:
    """Let the disk at the seat stop turning."""
    try:
        how = _aside(work, partial(rest_at, work.seat, work.station.clock))
    except RefreshdError as err:
        work.speaker.said(f"{work.seat.node} could not be stopped for now: {err}")
        return _failed(err)
    work.speaker.said(how)
    return Done(0)


def release(work: Workplace, _order: Order) -> Done:
    """Flush and stop the disk at the seat, so that it may be unplugged."""
    try:
        let = _aside(work, partial(release_at, work.seat, work.station.clock))
    except RefreshdError as err:
        work.speaker.tell(ReleaseFailed(error=told(err)))
        return _failed(err)
    work.speaker.tell(Released(how=let.how, is_powered_off=let.is_powered_off))
    return Done(0)


def _aside(work: Workplace, act: Callable[[], R]) -> R:
    """Act beside this thread, so that a disk that hangs is told of after the policy's wait."""
    lanes = lanes_for(resolve(work.station.policy.policy, MediumKind.HARD_DISK))
    try:
        return lanes.aside(act)()
    finally:
        lanes.close()


ACTS: Mapping[str, Callable[[Workplace, Order], Done]] = {
    IDENTIFY: identify,
    VISIT: visit,
    ACCESSION: accession,
    PROVING: proving,
    REST: rest,
    RELEASE: release,
}
"""Each act by its word on the command line."""
