"""What a worker process tells the daemon, one JSON object a line, and how an error travels.

A worker writes these on its standard output and reads single words, `stop`, on its standard
input. When its standard input ends, the daemon is gone, and the worker stops as if asked to.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from refreshd import errors
from refreshd.cards import Evidence, Finding, Presence
from refreshd.errors import (
    DaemonUnreachableError,
    DriveError,
    RefreshdError,
    RefusedError,
    UsageError,
)
from refreshd.passes.bench import Mended, PassReport
from refreshd.proving_cards import Certificate
from refreshd.quantities import DriveNumber, Outcome, PassId, PassKind


class ErrorTold(BaseModel):
    """An error on its way between two processes: the name of its class, its message."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: str
    message: str
    exit_code: int


def told(error: RefreshdError) -> ErrorTold:
    """Return an error as it travels."""
    message = plain(str(error))
    return ErrorTold(kind=type(error).__name__, message=message, exit_code=error.exit_code)


def plain(text: str) -> str:
    """Return a text without what could steer a terminal, or that no UTF-8 can carry (I8).

    A mount point may be named by the label of a stranger's drive, in whatever bytes that has.
    """
    return "".join(sign if sign.isprintable() or sign in _KEPT else "?" for sign in text)


_KEPT = "\n\u200c\u200d"
"""Line feed; zero width non-joiner and joiner, without which some scripts cannot be written."""


_BY_EXIT_CODE: dict[int, type[RefreshdError]] = {
    kind.exit_code: kind for kind in (UsageError, RefusedError, DriveError, DaemonUnreachableError)
}


def raised(error: ErrorTold) -> RefreshdError:
    """Return an error that travelled as the exception it was, without what was attached to it.

    One that only another version knows becomes the nearest of the same exit code.
    """
    kind = _BY_EXIT_CODE.get(error.exit_code, DriveError)
    found = getattr(errors, error.kind, None)
    if isinstance(found, type) and issubclass(found, RefreshdError):
        kind = found
    # Made past its own constructor, which may want places and spans that did not travel.
    made: RefreshdError = kind.__new__(kind, error.message)
    return made


class Message(BaseModel):
    """What every message has."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", ser_json_bytes="base64", val_json_bytes="base64"
    )


class Identified(Message):
    """Which drive this is. `drive` None: none in care; then `evidence` says what it is."""

    kind: Literal["identified"] = "identified"
    drive: DriveNumber | None
    evidence: Evidence
    presence: Presence


class IdentityUnclear(Message):
    """It could not be told which drive this is, or something else uses it."""

    kind: Literal["identity-unclear"] = "identity-unclear"
    error: ErrorTold


class Moved(Message):
    """How far a pass is, in bytes of the drive."""

    kind: Literal["moved"] = "moved"
    done_bytes: int
    of_bytes: int
    doing: str


class Said(Message):
    """Something worth telling the archivist at once."""

    kind: Literal["said"] = "said"
    sentence: str


class ReportTold(Message):
    """The report of a pass on its way between two processes: `passes.bench.PassReport`."""

    drive: DriveNumber
    pass_id: PassId
    kind: PassKind
    outcome: Outcome
    bytes_read: int
    bytes_written: int
    bytes_skipped: int
    seconds: float
    findings: tuple[Finding, ...] = ()
    mended: tuple[Mended, ...] = ()
    notes: tuple[str, ...] = ()
    stopped_by: ErrorTold | None = None


def told_report(report: PassReport) -> ReportTold:
    """Return a report as it travels."""
    stopped_by = None if report.stopped_by is None else told(report.stopped_by)
    facts = {one.name: getattr(report, one.name) for one in fields(report)}
    return ReportTold(**facts | {"stopped_by": stopped_by})


def arrived_report(report: ReportTold) -> PassReport:
    """Return a report that travelled as the record it was."""
    stopped_by = None if report.stopped_by is None else raised(report.stopped_by)
    facts = {name: getattr(report, name) for name in ReportTold.model_fields}
    return PassReport(**facts | {"stopped_by": stopped_by})


class VisitEnded(Message):
    """A pass ended or stopped. `report` is for whoever asked for it; None: it did not begin.

    `is_complete`: the pass reached its end, whatever it found. `error`: what stopped it. A health
    reading has no report, and is complete also where the disk was asleep and was left alone. A
    proving has no `drive`; its `certificate` says what was found, when it has ended.
    """

    kind: Literal["visit-ended"] = "visit-ended"
    drive: DriveNumber | None
    pass_kind: PassKind
    outcome: Outcome
    is_complete: bool
    findings: int
    error: ErrorTold | None = None
    report: ReportTold | None = None
    certificate: Certificate | None = None
    was_asleep: bool = False


class Released(Message):
    """The disk was flushed and stopped; `how` says what was done, in words.

    `is_powered_off`: it vanishes by that, so that nobody can see whether it is unplugged.
    """

    kind: Literal["released"] = "released"
    how: str
    is_powered_off: bool = False


class ReleaseFailed(Message):
    """The disk could not be flushed or stopped; it is not to be unplugged while it spins."""

    kind: Literal["release-failed"] = "release-failed"
    error: ErrorTold


class WorkerEnded(Message):
    """The last message of every worker, made by whoever waits for the process.

    `exit_code` is negative when a signal ended it. `is_left`: it hangs in the kernel and was
    left alone; the seat is of no use until the drive is gone.
    """

    kind: Literal["worker-ended"] = "worker-ended"
    exit_code: int
    is_left: bool = False
    last_words: str = ""  # the end of what it said on standard error


AnyMessage = (
    Identified
    | IdentityUnclear
    | Moved
    | Said
    | VisitEnded
    | Released
    | ReleaseFailed
    | WorkerEnded
)

MESSAGES: TypeAdapter[AnyMessage] = TypeAdapter(Annotated[AnyMessage, Field(discriminator="kind")])
"""Reads any message back from its line."""
