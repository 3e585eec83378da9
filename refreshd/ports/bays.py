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
class ProvingWish:
    """What somebody wants of a proving.

    `is_erasing`: somebody says that the content of the drive may go, and `erase_drive` says for
    the second time which drive that is: `passes.proving.beginning.second_word`.
    `is_reading_only`: nothing is written, even where the drive is empty. `is_anew`: an unfinished
    proving of it is given up.
    """

    is_erasing: bool = False
    is_reading_only: bool = False
    erase_drive: str = ""
    leaves_out_extended_test: bool = False
    is_anew: bool = False


NO_NUMBER = DriveNumber("")
"""Stands in an order for a proving: a drive that is not in care has no number yet."""


@dataclass(frozen=True, slots=True)
class VisitOrder:
    """What a worker is to do with a drive at a seat.

    `on` names the node of the seat; None: wherever the drive is. An accession has a `card` and a
    proving a `proving`; both name their seat, since nobody can know where a drive is that is not
    in care yet. `lets_sleep`: a disk that stands still is left alone, which is no failure.
    """

    drive: DriveNumber
    kind: PassKind
    is_closing: bool = False
    asked_by: str = ""  # empty: the plan asks
    on: str | None = None
    card: NewCard | None = None
    proving: ProvingWish | None = None
    lets_sleep: bool = False

    @property
    def number(self) -> DriveNumber | None:
        """The drive in care, or to be; None: of a stranger that is proved."""
        return self.drive or None

    @property
    def label(self) -> str:
        """Whom it is about, in words."""
        return self.drive or f"the disk at {self.on}"

    @property
    def what(self) -> str:
        """What it is, in words, such as ``refresh pass over K07``."""
        is_pass = self.kind not in {PassKind.HEALTH, PassKind.PROVING}
        return f"{self.kind.words} {'over' if is_pass else 'of'} {self.label}"

    @property
    def is_of_stranger(self) -> bool:
        """Say whether it is about a disk that need not be in care."""
        return self.card is not None or self.proving is not None


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
