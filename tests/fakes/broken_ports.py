"""Ports that break in one way while a pass uses them: memory that flips, drives that change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event

from refreshd.errors import DriveError
from refreshd.quantities import Geometry
from refreshd.simulated.disk import Op, SimulatedDisk
from refreshd.simulated.drive import SimulatedDrive, SimulatedStaging
from tests.fakes.room import QuietAttendant, Room


@dataclass
class FlippingStaging(SimulatedStaging):
    """The server's memory flips a bit of a verified chunk around its n-th staging write."""

    nth: int = 1
    is_before: bool = True  # before the copy is made, or between the copy and the write
    writes: int = 0

    def write(self, start: int, data: memoryview) -> None:
        """Write, with the flip in the very buffer that the pass holds."""
        self.writes += 1
        is_hit = self.writes == self.nth
        if is_hit and self.is_before:
            data[len(data) // 2] ^= 4
        super().write(start, data)
        if is_hit and not self.is_before:
            data[len(data) // 2] ^= 4


@dataclass
class ExchangedDrive(SimulatedDrive):
    """At the n-th I/O error another drive of the same size answers on the same node."""

    nth: int = 1
    errors: int = 0
    other: SimulatedDisk = field(default_factory=lambda: SimulatedDisk(Geometry(512, 512, 512)))

    def write(self, start: int, data: memoryview) -> None:
        """Write, or become another drive."""
        self._or_exchanged(lambda: super(ExchangedDrive, self).write(start, data))

    def flush(self) -> None:
        """Flush, or become another drive."""
        self._or_exchanged(super().flush)

    def read(self, start: int, into: memoryview) -> None:
        """Read, or become another drive."""
        self._or_exchanged(lambda: super(ExchangedDrive, self).read(start, into))

    def _or_exchanged(self, act: Callable[[], None]) -> None:
        try:
            act()
        except DriveError:
            self.errors += 1
            if self.errors == self.nth:
                self.disk = self.other
                self.is_exchanged = True
            raise


@dataclass
class WatchedDrive(SimulatedDrive):
    """Keeps account of writes that came after an error and before the next proof of identity."""

    is_in_doubt: bool = False
    unproved_writes: list[int] = field(default_factory=list)
    first_write_step: int = 0  # of the power line

    def read(self, start: int, into: memoryview) -> None:
        """Read."""
        self._watched(lambda: super(WatchedDrive, self).read(start, into))

    def write(self, start: int, data: memoryview) -> None:
        """Write, and note whether it was proved which drive this is."""
        self.first_write_step = self.first_write_step or self.disk.line.steps + 1
        if self.is_in_doubt:
            self.unproved_writes.append(start)
        self._watched(lambda: super(WatchedDrive, self).write(start, data))

    def flush(self) -> None:
        """Flush."""
        self._watched(super().flush)

    def prove_identity(self) -> None:
        """Prove which drive this is."""
        super().prove_identity()
        self.is_in_doubt = False

    def _watched(self, act: Callable[[], None]) -> None:
        try:
            act()
        except DriveError:
            self.is_in_doubt = True
            raise


def watched(room: Room) -> WatchedDrive:
    """Put a watched drive in the place of the room's; same disk, same stay."""
    old = room.drive
    drive = WatchedDrive(
        room.disk, boot_id=old.boot_id, disk_sequence=old.disk_sequence, holes=old.holes
    )
    room.drive = drive
    return drive


@dataclass
class HangingDrive(SimulatedDrive):
    """The n-th operation of one kind is not answered before `answer` is set."""

    op: Op = Op.READ
    nth: int = 1
    start: int | None = None  # hang at this byte instead
    answer: Event = field(default_factory=Event)
    asked: int = 0

    def read(self, start: int, into: memoryview) -> None:
        """Read."""
        self._hang(Op.READ, start)
        super().read(start, into)

    def write(self, start: int, data: memoryview) -> None:
        """Write."""
        self._hang(Op.WRITE, start)
        super().write(start, data)

    def flush(self) -> None:
        """Flush."""
        self._hang(Op.FLUSH, 0)
        super().flush()

    def _hang(self, op: Op, start: int) -> None:
        if op is not self.op:
            return
        self.asked += 1
        is_hit = self.asked == self.nth if self.start is None else start == self.start
        if is_hit:
            self.answer.wait(LONGEST_S)


@dataclass
class HangingStaging(SimulatedStaging):
    """The n-th flush of the server's disk is not answered before `answer` is set."""

    nth: int = 1
    answer: Event = field(default_factory=Event)
    asked: int = 0

    def flush(self) -> None:
        """Flush."""
        self.asked += 1
        if self.asked == self.nth:
            self.answer.wait(LONGEST_S)
        super().flush()


LONGEST_S = 30.0
"""So that a broken test ends."""


def exchange_at_error(room: Room, nth: int = 1) -> SimulatedDisk:
    """Let another drive answer from the n-th I/O error on; return that drive's disk."""
    other = SimulatedDisk(room.disk.geometry, room.line)
    other.medium[:] = bytes(reversed(room.truth))
    room.drive = ExchangedDrive(room.disk, nth=nth, other=other)
    return other


@dataclass
class BusyAttendant(QuietAttendant):
    """Does something at every move of a pass, such as letting a day go by."""

    at_move: Callable[[], None] = lambda: None

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Count, then act."""
        super().moved(done_bytes, of_bytes, doing)
        self.at_move()


def writes_of(disk: SimulatedDisk) -> list[int]:
    """Return where the writes that a disk was asked for began, in order."""
    return [start for op, start, _ in disk.log if op is Op.WRITE]
