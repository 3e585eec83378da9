"""A simulated room: one drive, a staging disk, journal and catalogue on one power line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from random import Random

from refreshd.events import DriveAccessioned
from refreshd.passes.accession import run_accession
from refreshd.passes.bench import Bench, PassOptions, PassReport
from refreshd.passes.fixity import run_fixity
from refreshd.passes.refresh import run_refresh
from refreshd.passes.ring import slot_room, slots_wanted
from refreshd.ports import Examiner, Lanes
from refreshd.quantities import ChunkGrid, DriveNumber, Geometry, MediumKind
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.disk import PowerLine, SimulatedDisk
from refreshd.simulated.drive import SimulatedDrive, SimulatedStaging
from refreshd.simulated.lanes import InlineLanes
from refreshd.simulated.ledger import SimulatedLedger

K07 = DriveNumber("K07")
YEARS_3 = timedelta(days=1096)


@dataclass
class QuietAttendant:
    """`ports.Attendant` that keeps what it hears and asks to stop after so many moves."""

    stop_after: int | None = None
    sentences: list[str] = field(default_factory=list)
    moves: int = 0

    def wants_stop(self) -> bool:
        """Say whether the pass is to stop."""
        return self.stop_after is not None and self.moves >= self.stop_after

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Count."""
        self.moves += 1

    def said(self, sentence: str) -> None:
        """Keep."""
        self.sentences.append(sentence)


@dataclass(frozen=True)
class Plan:
    """The geometry of a simulated room. All sizes in bytes."""

    logical: int = 512
    physical: int = 512
    chunk: int = 1024
    chunks: int = 10
    segment_chunks: int = 2
    short_by: int = 512  # how much shorter the last chunk is
    cache: int = 0
    lag: int = 3072
    seed: int = 1
    slots: int = 0  # of the staging ring; 0: as many as the program would take

    @property
    def size(self) -> int:
        """Size of the drive."""
        return self.chunk * self.chunks - self.short_by


class Room:
    """Everything a pass needs, and the means to break it."""

    def __init__(self, plan: Plan | None = None) -> None:
        self.plan = plan = plan or Plan()
        self.line = PowerLine()
        self.clock = SimulatedClock()
        geometry = Geometry(plan.size, plan.logical, plan.physical)
        self.disk = SimulatedDisk(geometry, self.line, cache_bytes=plan.cache)
        self.disk.medium[:] = Random(plan.seed).randbytes(plan.size)
        self.drive = SimulatedDrive(self.disk)
        block = plan.physical
        wanted = slots_wanted(plan.lag, plan.chunk * plan.segment_chunks, plan.size)
        slots = plan.slots or wanted
        room = slots * slot_room(plan.chunk, plan.segment_chunks, block)
        self.staging_disk = SimulatedDisk(Geometry(room, plan.logical, block), self.line)
        self.staging = SimulatedStaging(self.staging_disk)
        self.ledger = SimulatedLedger(self.clock, self.line)
        self.attendant = QuietAttendant()
        self.lanes: Lanes = InlineLanes()
        self.examiner: Examiner | None = None
        self.truth = self.disk.content()

    @property
    def grid(self) -> ChunkGrid:
        """The drive's chunks."""
        return ChunkGrid(self.plan.size, self.plan.chunk)

    def bench(self) -> Bench:
        """Return the ports of a new visit."""
        self.drive.forbid_writing()
        return Bench(
            medium=self.drive,
            ledger=self.ledger,
            clock=self.clock,
            lanes=self.lanes,
            attendant=self.attendant,
            staging=self.staging,
            examiner=self.examiner,
        )

    def options(self, *, is_closing: bool = False) -> PassOptions:
        """Return options that fit the plan."""
        return PassOptions(
            segment_bytes=self.plan.chunk * self.plan.segment_chunks,
            readback_lag_bytes=self.plan.lag,
            is_closing=is_closing,
        )

    def accession(self) -> PassReport:
        """Take the drive into care and record its digests."""
        if not self.ledger.drives():
            self.ledger.record(
                DriveAccessioned(
                    drive=K07,
                    shelfmark="R2-B04-S3",
                    title="Field recordings, coast",
                    medium=MediumKind.HARD_DISK,
                    evidence=self.drive.evidence(),
                    chunk_bytes=self.plan.chunk,
                    claimed_written_on=None,
                )
            )
        return run_accession(self.bench(), K07, self.options())

    def fixity(self) -> PassReport:
        """Run a fixity pass."""
        return run_fixity(self.bench(), K07, self.options())

    def refresh(self, *, is_closing: bool = False) -> PassReport:
        """Run a refresh pass."""
        return run_refresh(self.bench(), K07, self.options(is_closing=is_closing))

    def years_pass(self) -> None:
        """Let three years go by on the shelf: another stay, another boot."""
        self.clock.time += YEARS_3
        self.drive.replug()
        self.drive.boot_id += "+"


def taken_in(plan: Plan | None = None) -> Room:
    """Return a room whose drive was taken in three years ago."""
    room = Room(plan)
    report = room.accession()
    assert report.stopped_by is None, report
    room.years_pass()
    room.disk.log.clear()
    return room


def damaged(room: Room, start: int, length: int = 1) -> None:
    """Alter bytes on the medium, silently."""
    for at in range(start, start + length):
        room.disk.medium[at] ^= 0x55


Act = Callable[[Room], PassReport]
