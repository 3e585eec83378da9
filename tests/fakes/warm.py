"""A simulated room whose drive takes its time, warms while it works and can be asked how it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from refreshd.events import PassWatched
from refreshd.simulated.examiner import SimulatedExaminer, WarmDrive, Warmth
from tests.fakes.cuts import fork
from tests.fakes.room import Plan, Room
from tests.fakes.trials import base_room

HOURS_PLAN = Plan(chunks=60, lag=4096)
RATE_BYTES_PER_S = 20
"""So slow that a refresh of 60 KiB takes two and a half hours, as one of terabytes would."""


@dataclass
class ListeningDrive(WarmDrive):
    """Calls somebody before each transfer, and notes when which were made."""

    before: Callable[[], None] = lambda: None
    read_at_s: list[float] = field(default_factory=list)
    written_at_s: list[float] = field(default_factory=list)

    def read(self, start: int, into: memoryview) -> None:
        """Read, after somebody looked."""
        self.before()
        self.read_at_s.append(self.clock.elapsed_s() if self.clock else 0.0)
        super().read(start, into)

    def write(self, start: int, data: memoryview) -> None:
        """Write, after somebody looked."""
        self.before()
        self.written_at_s.append(self.clock.elapsed_s() if self.clock else 0.0)
        super().write(start, data)


@dataclass
class WarmRoom:
    """A room with its drive, warmth and examiner at hand."""

    room: Room
    drive: ListeningDrive
    warmth: Warmth
    examiner: SimulatedExaminer

    @property
    def watched(self) -> list[PassWatched]:
        """The curves in the record."""
        events = [entry.event for entry in self.room.ledger.entries]
        return [one for one in events if isinstance(one, PassWatched)]


def warm_room(plan: Plan = HOURS_PLAN, rate: int = RATE_BYTES_PER_S) -> WarmRoom:
    """Return a room whose drive was taken in three years ago, and warms from now on."""
    room = fork(base_room(plan))
    old = room.drive
    drive = ListeningDrive(
        room.disk,
        boot_id=old.boot_id,
        disk_sequence=old.disk_sequence,
        clock=room.clock,
        rate_bytes_per_s=rate,
    )
    room.drive = drive
    warmth = Warmth(room.clock, lambda: drive.busy_s)
    examiner = SimulatedExaminer(warmth.celsius)
    room.examiner = examiner
    return WarmRoom(room, drive, warmth, examiner)
