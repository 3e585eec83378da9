"""How questions, records and errors travel between the command line and the daemon: JSON, typed.

Records are the very ones of the verbs; pydantic reads them off the dataclasses. Bytes are base64.
What the daemon tells live is one `StreamLine` a line.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Generic, Literal, TypeVar

from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    TypeAdapter,
)

from refreshd.events import Entry
from refreshd.messages import AnyMessage, ErrorTold
from refreshd.quantities import DriveNumber, MediumKind, PassKind

PREFIX = "/v1"
"""Stands before every path. What stands there is kept; another version gets another prefix."""

BEHALF_HEADER = "refreshd-behalf"
"""Names the person behind root, as sudo does. Believed of root alone."""

BEAT_S = 1.0
"""A stream says so often that it is still there, so that a daemon that hangs is noticed."""

T = TypeVar("T")

TEXT_MAX = 1000
"""Longer texts are cut off here; what a card may hold is looked at by the verbs."""

Text = Annotated[str, Field(max_length=TEXT_MAX)]
Node = Annotated[str, Field(max_length=TEXT_MAX, description="Device node, such as /dev/sdb.")]


_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)


def _written_out(value: object) -> object:
    """Refuse a bare number, which would be taken for seconds since 1970: nobody means that."""
    if isinstance(value, date) or (isinstance(value, str) and _DAY.match(value)):
        return value
    raise ValueError("a day is written as 2031-03-14, a moment as 2031-03-14T18:00:00Z")


Day = Annotated[date, BeforeValidator(_written_out)]
Moment = Annotated[AwareDatetime, BeforeValidator(_written_out)]


class OnTheWire(BaseModel):
    """What everything that travels has."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", ser_json_bytes="base64", val_json_bytes="base64"
    )


class Failure(OnTheWire):
    """Why there is no answer."""

    error: ErrorTold


class Told(OnTheWire, Generic[T]):
    """An answer, and what was said beside it, for a person to read."""

    said: tuple[str, ...] = ()
    answer: T


class About(OnTheWire):
    """Which daemon this is. `policy_file` None: what is built in is in force."""

    program: str
    state_directory: str
    policy_file: str | None
    may_act: bool = Field(description="Whether whoever asks may act, too.")


# Questions that have a body.


class AcceptWish(OnTheWire):
    """Findings whose new bytes are right."""

    findings: Annotated[tuple[Text, ...], Field(min_length=1, max_length=1000)]


class ReasonWish(OnTheWire):
    """A reason, for the journal."""

    reason: Text = ""


class CorrectWish(OnTheWire):
    """What is to stand on a card; left out: as it is."""

    shelfmark: Text | None = None
    title: Text | None = None
    medium: MediumKind | None = None
    written_on: Day | None = None
    holding: Text | None = None


class PauseWish(OnTheWire):
    """How long no pass is to run; left out: until somebody says otherwise."""

    until: Moment | None = None


class PassWish(OnTheWire):
    """A pass over a drive that is plugged in."""

    kind: Literal[PassKind.FIXITY, PassKind.REFRESH]
    on: Node | None = None
    is_closing: bool = False


class ReadingWish(OnTheWire):
    """A health reading of a drive that is plugged in."""

    on: Node | None = None


class SeatWish(OnTheWire):
    """A disk that is plugged in, in care or not."""

    on: Node


class ProvingWanted(OnTheWire):
    """The acceptance test of a disk that is in nobody's care."""

    on: Node
    is_erasing: bool = False
    is_reading_only: bool = False
    erase_drive: Text = Field(default="", description="Which drive may be written over.")
    leaves_out_extended_test: bool = False
    is_anew: bool = False


class AccessionWish(OnTheWire):
    """A drive as it is handed in."""

    on: Node
    number: Text
    shelfmark: Text
    title: Text
    medium: MediumKind | None = None
    written_on: Day | None = None
    holding: Text | None = None


# What comes line by line.


class JournalLine(OnTheWire):
    """One record of the journal."""

    kind: Literal["entry"] = "entry"
    entry: Entry


class Heard(OnTheWire):
    """What a worker said of the disk at a node. `drive` None: not identified yet."""

    kind: Literal["heard"] = "heard"
    node: str
    drive: DriveNumber | None
    message: Annotated[AnyMessage, Field(discriminator="kind")]


class Beat(OnTheWire):
    """Nothing happened, and the daemon is still there."""

    kind: Literal["beat"] = "beat"


class Broken(OnTheWire):
    """The last line of a stream that ends before what it was about."""

    kind: Literal["broken"] = "broken"
    error: ErrorTold


StreamLine = Annotated[Heard | Beat | Broken, Field(discriminator="kind")]

STREAM_LINES: TypeAdapter[Heard | Beat | Broken] = TypeAdapter(StreamLine)
"""Reads any line of what is told live."""

JOURNAL_LINES: TypeAdapter[JournalLine | Broken] = TypeAdapter(
    Annotated[JournalLine | Broken, Field(discriminator="kind")]
)
"""Reads any line of the journal as it is told."""
