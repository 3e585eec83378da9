"""The bays with their workers, and the people who are told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Protocol

from refreshd.cards import Slip
from refreshd.quantities import DriveNumber, MediumKind, PassKind, SlipNumber


@dataclass(frozen=True, slots=True)
class Seat:
    """One stay of one disk at one device node: the node alone may be another disk's tomorrow."""

    node: str  # such as /dev/sdb
    disk_sequence: int | None  # Source: BLKGETDISKSEQ; None: the kernel does not say


@dataclass(frozen=True, slots=True)
class NewCard:
    """What is to stand on the card of a drive that is taken into care."""

    shelfmark: str
    title: str
    medium: MediumKind | None = None  # None: read it from the device
    written_on: date | None = None  # a claim, kept as one
    holding: str | None = None


@dataclass(frozen=True, slots=True)
class VisitOrder:
    """What a worker is to do with a drive at a seat.

    `on` names the node of the seat; None: wherever the drive is. An accession has a `card` and
    names its seat, since nobody can know where a drive is that is not in care yet.
    """

    drive: DriveNumber
    kind: PassKind
    is_closing: bool = False
    asked_by: str = ""  # empty: the plan asks
    on: str | None = None
    card: NewCard | None = None


class Bays(Protocol):
    """The worker processes that reach the drives. No call waits.

    What comes of each is told to the caretaker as a message (see `refreshd.messages`), in the
    end always by one that says that the worker has ended, even where it was killed.
    """

    def identify(self, seat: Seat) -> None:
        """Find out which drive is at a seat, without writing."""

    def visit(self, seat: Seat, order: VisitOrder) -> None:
        """Run a pass."""

    def stop(self, seat: Seat) -> None:
        """Ask the worker at a seat to stop at its next checkpoint."""

    def rest(self, seat: Seat) -> None:
        """Let the disk stop turning. It stays connected; the next visit wakes it."""

    def release(self, seat: Seat) -> None:
        """Flush and stop the disk, so that it may be unplugged."""


class Urgency(StrEnum):
    """Who is to hear of something; the same words as `policy_tables.Gets`."""

    SLIPS = "slips"
    ALARMS = "alarms"
    ESCALATIONS = "escalations"


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that people are to be told.

    `stages` names the slips that it is about, each with the stage it is in, so that it is
    written down once which channel took what.
    """

    urgency: Urgency
    subject: str  # one line
    body: str  # plain text
    stages: tuple[tuple[SlipNumber, str], ...] = ()


class NoticeBoard(Protocol):
    """Hands notices to people. No call waits and none fails: what fails is tried again later."""

    def post(self, notice: Notice) -> None:
        """Hand a notice to every channel that gets its kind."""

    def show_slips(self, slips: Sequence[Slip]) -> None:
        """Bring the page with the open slips up to date."""
