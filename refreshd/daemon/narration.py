"""What is said of a visit in the system's log, and in one sentence as the status of the service."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import NamedTuple

from refreshd.adapters.journald import FIELDS_KEY, LogFields
from refreshd.cards import Slip
from refreshd.caretaker import Doing, Status, VisitUnderWay
from refreshd.durations import counted
from refreshd.messages import (
    AnyMessage,
    Identified,
    IdentityUnclear,
    Moved,
    Released,
    ReleaseFailed,
    Said,
    VisitEnded,
    WorkerEnded,
)
from refreshd.ports import Notice, NoticeBoard, Seat, Urgency
from refreshd.quantities import DriveNumber, Outcome, PassId
from refreshd.words import duration_words, share_words

LOG = logging.getLogger("refreshd")


class Line(NamedTuple):
    """A line of the log."""

    level: int
    sentence: str
    pass_id: int | None = None


def narrate(seat: Seat, drive: DriveNumber | None, message: AnyMessage) -> None:
    """Say in the log what a worker said, if it is of interest later."""
    line = line_of(seat, drive, message)
    if line is not None:
        about = LogFields(kind=message.kind, drive=drive, pass_id=line.pass_id)
        LOG.log(line.level, "%s", line.sentence, extra={FIELDS_KEY: about})


def line_of(seat: Seat, drive: DriveNumber | None, message: AnyMessage) -> Line | None:
    """Return what is to be said of a message; None: nothing."""
    which = f"{drive} at {seat.node}" if drive else seat.node
    match message:
        case Moved():
            return None
        case VisitEnded():
            return _ended(which, message)
        case WorkerEnded():
            return _worker_ended(which, message)
        case ReleaseFailed():
            return Line(logging.ERROR, f"{which}: not released: {message.error.message}")
        case IdentityUnclear():
            return Line(logging.WARNING, f"{which}: not identified: {message.error.message}")
        case Identified() | Said() | Released():
            return Line(logging.INFO, f"{which}: {_told(message)}")


def _told(message: Identified | Said | Released) -> str:
    match message:
        case Identified():
            return f"this is {message.drive}." if message.drive else "no drive in care."
        case Said():
            return message.sentence
        case Released():
            return f"{message.how}; it may be unplugged."


def _ended(which: str, message: VisitEnded) -> Line:
    pass_id = None if message.report is None else _number(message.report.pass_id)
    level = {Outcome.SUCCESS: logging.INFO, Outcome.WARNING: logging.WARNING}.get(
        message.outcome, logging.ERROR
    )
    found = f", {counted(message.findings, 'finding')}" if message.findings else ""
    told = f"{which}: {message.pass_kind.words} ended: {message.outcome.value}{found}."
    if message.was_asleep:
        return Line(logging.INFO, f"{which}: it stands still, and was not asked how it is.", None)
    if message.error is not None:
        told = f"{which}: {message.pass_kind.words} stopped{found}: {message.error.message}"
        level = max(level, logging.WARNING)
        if message.error.kind == "PassStoppedError":
            level = logging.INFO
    return Line(level, told, pass_id)


def _number(pass_id: PassId) -> int | None:
    """Return the 3 of ``K07/3``."""
    said = pass_id.rpartition("/")[2]
    return int(said) if said.isdecimal() else None


def _worker_ended(which: str, message: WorkerEnded) -> Line | None:
    words = f" Its last words: {message.last_words}" if message.last_words else ""
    if message.is_left:
        return Line(logging.ERROR, f"{which}: the worker hangs in the kernel.{words}")
    if message.exit_code < 0 or message.last_words:
        code = message.exit_code
        how = f"was killed by signal {-code}" if code < 0 else f"ended with exit code {code}"
        return Line(logging.WARNING, f"{which}: the worker {how}.{words}")
    return None


def status_sentence(status: Status, complaint: str = "") -> str:
    """
    Return how the service is, in one line.

    Args:
        status: How things stand.
        complaint: What is wrong beside, such as a policy file that was refused.

    """
    alarms = [alarm for alarm in (status.clock_alarm, status.record_alarm, complaint) if alarm]
    parts = [f"ALARM: {alarm}" for alarm in alarms]
    parts += [_visit(visit) for visit in status.visits] or [_idle(status)]
    if status.slips:
        parts.append(f"{counted(len(status.slips), 'slip')} open")
    return "; ".join(parts) + "."


def _visit(visit: VisitUnderWay) -> str:
    doing = visit.doing or visit.kind.words
    told = f"{visit.drive or visit.seat.node}: {doing}"
    if visit.of_bytes:
        told += f" {share_words(visit.done_bytes, visit.of_bytes)}"
    if visit.left_s is not None:
        told += f", {duration_words(visit.left_s)} left"
    if visit.hangs_at_byte is not None:
        told += f", hangs at byte {visit.hangs_at_byte}"
    return told


def _idle(status: Status) -> str:
    if status.pause is not None:
        return f"Paused by {status.pause.said_by}"
    out = [here.drive for here in status.here if here.doing is Doing.RELEASED and here.drive]
    if out:
        return f"{' and '.join(out)} may be unplugged"
    return "Waiting for a drive"


class LoggedBoard:
    """`ports.NoticeBoard` that logs each alarm before it goes to another board.

    Where the policy names no channel, the log is the only place in which an alarm without a record
    of its own can be found, such as that of a clock that is not believed.
    """

    def __init__(self, board: NoticeBoard) -> None:
        self._board = board

    def post(self, notice: Notice) -> None:
        """Log an alarm in one line, and hand every notice on."""
        if notice.urgency is Urgency.ALARMS:
            LOG.error("%s: %s", notice.subject, " ".join(notice.body.split()))
        self._board.post(notice)

    def show_slips(self, slips: Sequence[Slip]) -> None:
        """Hand the open slips on."""
        self._board.show_slips(slips)
