"""How things stand at the service, in sentences; and what happens there, line by line."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

from refreshd.caretaker.status import Doing, DriveHere, Status, VisitUnderWay
from refreshd.durations import counted
from refreshd.messages import (
    Identified,
    IdentityUnclear,
    Moved,
    Released,
    ReleaseFailed,
    Said,
    VisitEnded,
    WorkerEnded,
)
from refreshd.quantities import Outcome
from refreshd.reception.wire import Heard
from refreshd.words import duration_words, is_own_test, rate_words, share_words, size_words

TO_MIND_SHOWN = 8

LAST_EXIT_CODE_TOLD = 5
"""A worker ends with these after it has said why; see the table of exit codes in README."""

_CALM = {Doing.IDLE, Doing.VISITING, Doing.STRANGER}


def status_lines(status: Status) -> Iterator[str]:
    """Tell what the daemon does now."""
    yield f"As of {_moment(status.at)}."
    for alarm in (status.clock_alarm, status.record_alarm):
        if alarm:
            yield f"ALARM: {alarm}."
    yield from _pause_lines(status)
    yield _bays(status)
    visits = {visit.seat: visit for visit in status.visits}
    for here in _at_bays(status):
        yield from _here_lines(here, visits.get(here.seat))
    yield _slips(status)
    yield from _to_mind_lines(status)
    if status.open_findings:
        waiting = counted(status.open_findings, "finding")
        yield f"To be decided about: {waiting}; `refreshd findings` says what and how."
    if status.backlog:
        yield f"Overdue: {status.backlog}."
    if status.planned:
        first = status.planned[0]
        yield f"Next to be asked for: {first.drive} ({first.errand}), on {first.on}."


def _moment(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")


def _on_the_wall(at: datetime) -> str:
    """Say a time of the server's own clock, on which quiet hours are kept."""
    return at.strftime("%H:%M")


def _pause_lines(status: Status) -> Iterator[str]:
    if status.pause is not None:
        until = status.pause.until
        end = (
            "until somebody says `refreshd resume`" if until is None else f"until {_moment(until)}"
        )
        yield f"Paused by {status.pause.said_by} since {_moment(status.pause.since)}, {end}."
    if status.quiet_until is not None:
        yield f"Quiet hours: no pass runs until {_on_the_wall(status.quiet_until)}."
    if status.is_on_battery:
        yield "The server runs on battery."


def _bays(status: Status) -> str:
    bays = counted(status.bays, "bay")
    here = len(_at_bays(status))
    own = [one.seat.node for one in status.here if one.doing is Doing.IN_USE]
    left = f" Of this server, and left alone: {', '.join(own)}." if own else ""
    if not here:
        return f"No drive is plugged in ({bays}).{left}"
    return f"Plugged in: {counted(here, 'disk')} ({bays}).{left}"


def _at_bays(status: Status) -> list[DriveHere]:
    return [one for one in status.here if one.doing is not Doing.IN_USE]


def _here_lines(here: DriveHere, visit: VisitUnderWay | None) -> Iterator[str]:
    which = here.drive or "a disk"
    why = f": {here.why}" if here.why else ""
    yield f"  {here.seat.node}: {which}, {here.doing}{why}"
    yield from _health_of(here)
    if visit is not None:
        yield f"    {_visit(visit)}"
        if visit.hangs_at_byte is not None:
            yield (
                f"    IT HANGS: no answer for {duration_words(visit.silent_s)} at byte "
                f"{visit.hangs_at_byte}. Listen to the drive; look at cable, dock and power."
            )
        if visit.stopping:
            yield f"    Asked to stop: {visit.stopping}."
    elif here.doing not in _CALM and here.released_at is not None:
        yield f"    Waiting to be unplugged since {_moment(here.released_at)}."


def _health_of(here: DriveHere) -> Iterator[str]:
    """Tell how an attached drive is, by its last reading."""
    if here.health is None:
        return
    warmth = "" if here.celsius is None else f", {here.celsius} °C then"
    silent = ", and its dock lets nothing through" if here.health.is_silent else ""
    yield f"    Health: {here.health.verdict} (read {here.health.read_on}{warmth}{silent})."


def _to_mind_lines(status: Status) -> Iterator[str]:
    """Tell which drives are not as one would like them, attached or on their shelf."""
    for one in status.to_mind[:TO_MIND_SHOWN]:
        health = one.health
        why = next(iter(health.reasons), "")
        told = f"{health.verdict} (by its word of {health.judged_on or health.read_on})"
        yield f"Health of {one.drive}: {told}{f'; {why}' if why else ''}"
    more = len(status.to_mind) - TO_MIND_SHOWN
    if more > 0:
        yield f"And {counted(more, 'drive')} more to mind; `refreshd health` lists all."


def _visit(visit: VisitUnderWay) -> str:
    asked = f", asked for by {visit.asked_by}" if visit.asked_by else ""
    told = f"{visit.kind.words}{asked}, begun {_moment(visit.begun_at)}"
    if visit.of_bytes:
        told += f"; {visit.doing}{_how_far(visit)}"
    if visit.rate_bytes_per_s:
        told += f", {rate_words(visit.rate_bytes_per_s)}"
    if visit.left_s is not None:
        told += f", {duration_words(visit.left_s)} left"
    return f"{told}."


def _how_far(visit: VisitUnderWay) -> str:
    if is_own_test(visit.doing):
        return _of_own_test(visit.done_bytes, visit.of_bytes)
    return f": {size_words(visit.done_bytes)}, {share_words(visit.done_bytes, visit.of_bytes)}"


def _of_own_test(done_bytes: int, of_bytes: int) -> str:
    """Tell how far a drive says that its own test is; nothing: it has not said it yet."""
    return f": {100 * done_bytes // of_bytes} % of it" if done_bytes else ""


def _slips(status: Status) -> str:
    if not status.slips:
        return "No slip is open."
    return f"{counted(len(status.slips), 'slip')} open; `refreshd pull-list` says what to do."


def paused_line(status: Status) -> str:
    """Tell that passes are paused."""
    end = "until somebody says `refreshd resume`"
    if status.pause is not None and status.pause.until is not None:
        end = f"until {_moment(status.pause.until)}"
    drives = " and ".join(visit.drive or visit.seat.node for visit in status.visits)
    under_way = f" The work on {drives} rests after the segment under way." if drives else ""
    return f"No pass runs {end}.{under_way}"


def resumed_line(status: Status) -> str:
    """Tell that passes may run again."""
    if status.quiet_until is not None:
        return f"Passes may run again, after the quiet hours ({_on_the_wall(status.quiet_until)})."
    return "Passes may run again."


def stopping_line(status: Status, drive: str) -> str:
    """Tell that a visit was asked to end."""
    is_over = all(drive not in {visit.drive, visit.seat.node} for visit in status.visits)
    work = "proving of" if drive.startswith("/") else "pass over"
    if is_over:
        return f"The {work} {drive} has stopped."
    return f"The {work} {drive} finishes its segment, writes that down, and stops."


def _moved(moved: Moved) -> str:
    if is_own_test(moved.doing):
        return f"{moved.doing}{_of_own_test(moved.done_bytes, moved.of_bytes)}"
    return f"{moved.doing}, {share_words(moved.done_bytes, moved.of_bytes)}"


def heard_line(line: Heard) -> str | None:
    """Tell what happened in one line; None: it is nothing to tell."""
    which = line.drive or "a disk"
    match line.message:
        case Identified(drive=None):
            said = "is not in care, and is left alone"
        case Identified():
            said = "was recognised"
        case IdentityUnclear() as unclear:
            said = f"cannot be told apart: {unclear.error.message}"
        case Moved() as moved:
            said = _moved(moved)
        case Said() as told:
            said = told.sentence
        case VisitEnded() as ended:
            said = _ended(ended)
        case Released() as released:
            said = f"may be unplugged ({released.how})"
        case ReleaseFailed() as failed:
            said = f"is NOT to be unplugged yet: {failed.error.message}"
        case WorkerEnded() as ended:
            return _worker_ended(line, ended)
    return f"{line.node}  {which}: {said}"


def _ended(ended: VisitEnded) -> str:
    if ended.was_asleep:
        return "stands still, and was not asked how it is"
    if ended.error is not None:
        return f"the {ended.pass_kind.words} stopped: {ended.error.message}"
    if ended.findings:
        return f"the {ended.pass_kind.words} ended with {counted(ended.findings, 'finding')}"
    well = "well" if ended.outcome is Outcome.SUCCESS else "with something to note"
    return f"the {ended.pass_kind.words} ended {well}"


def _worker_ended(line: Heard, ended: WorkerEnded) -> str | None:
    if ended.is_left:
        return f"{line.node}: hangs in the kernel and is of no use until the drive is gone"
    if 0 <= ended.exit_code <= LAST_EXIT_CODE_TOLD:
        return None  # What ended its act was told before.
    return (
        f"{line.node}: its worker ended with exit code {ended.exit_code} {ended.last_words}".strip()
    )
