"""What a worker process tells the daemon, one JSON object a line, and how an error travels.

A worker writes these on its standard output and reads single words, `stop`, on its standard
input. When its standard input ends, the daemon is gone, and the worker stops as if asked to.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from refreshd import errors
from refreshd.cards import Evidence, Presence
from refreshd.errors import RefreshdError
from refreshd.quantities import DriveNumber, Outcome, PassKind


class ErrorTold(BaseModel):
    """An error on its way between two processes: the name of its class, its message."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: str
    message: str
    exit_code: int


def told(error: RefreshdError) -> ErrorTold:
    """Return an error as it travels."""
    return ErrorTold(kind=type(error).__name__, message=str(error), exit_code=error.exit_code)


class TravelledError(RefreshdError):
    """An error of a kind that this version does not know."""


def raised(error: ErrorTold) -> RefreshdError:
    """Return an error that travelled as the exception it was, without what was attached to it."""
    found = getattr(errors, error.kind, None)
    kind = found if isinstance(found, type) and issubclass(found, RefreshdError) else TravelledError
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


class VisitEnded(Message):
    """A pass ended or stopped; `report` is its JSON report, for whoever asked for the pass.

    `is_complete`: the pass reached its end, whatever it found. `error`: what stopped it.
    """

    kind: Literal["visit-ended"] = "visit-ended"
    drive: DriveNumber
    pass_kind: PassKind
    outcome: Outcome
    is_complete: bool
    findings: int
    error: ErrorTold | None = None
    report: str = ""


class Released(Message):
    """The disk was flushed and stopped; `how` says what was done, in words."""

    kind: Literal["released"] = "released"
    how: str


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
