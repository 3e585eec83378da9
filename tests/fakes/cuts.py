"""Power cuts in a simulated room: cut, decide what survived, plug in again, go on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import copy
from dataclasses import dataclass
from itertools import product
from random import Random

from refreshd.errors import StagingFailedError
from refreshd.passes.bench import PassReport
from refreshd.passes.ring import StagingRing
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.disk import Choose, PowerCutError, PowerLine, SimulatedDisk, random_fates
from refreshd.simulated.drive import SimulatedStaging
from refreshd.simulated.lanes import InlineLanes
from refreshd.simulated.ledger import SimulatedLedger
from tests.fakes.room import QuietAttendant, Room

STEPS_MAX = 100_000


def fork(room: Room) -> Room:
    """Return a room in the same state that goes its own way. Nothing may be unflushed."""
    other = copy(room)
    other.line = PowerLine()
    other.clock = SimulatedClock(room.clock.time)
    other.disk = _copied(room.disk, other.line)
    other.drive = copy(room.drive)
    other.drive.disk = other.disk
    other.drive.times_writable = []
    other.staging_disk = _copied(room.staging_disk, other.line)
    other.staging = SimulatedStaging(other.staging_disk, dict(room.staging.kept))
    other.ledger = SimulatedLedger(other.clock, other.line)
    other.ledger.restore(room.ledger.snapshot())
    other.ledger.entries = list(room.ledger.entries)
    other.attendant = QuietAttendant()
    other.lanes = InlineLanes()
    return other


def _copied(disk: SimulatedDisk, line: PowerLine) -> SimulatedDisk:
    assert not disk.unflushed()
    other = SimulatedDisk(disk.geometry, line, cache_bytes=disk.cache_bytes)
    other.medium[:] = disk.medium
    other.bad = set(disk.bad)
    other.flushes_nothing = disk.flushes_nothing
    return other


@dataclass(frozen=True)
class Survivors:
    """What a cut left: the step, and the fate of every unflushed sector of both disks."""

    step: int
    drive: tuple[object, ...]
    staging: tuple[object, ...]


def run_until_cut(room: Room, step: int, act: Callable[[Room], PassReport]) -> PassReport | None:
    """Run a pass and cut the power at the given step from now; None when it was cut."""
    room.line.steps = 0
    room.line.cut_at_step = step
    try:
        return act(room)
    except PowerCutError:
        return None
    finally:
        room.line.cut_at_step = None


def power_on(
    room: Room, choose_drive: Choose, choose_staging: Choose, *, new_boot: bool
) -> Survivors:
    """Decide what survived on both disks, and start again in the same or another boot."""
    step = room.line.steps
    drive = room.disk.lose_power(choose_drive)
    staging = room.staging_disk.lose_power(choose_staging)
    room.drive.disk_sequence += 1
    if new_boot:
        room.drive.boot_id += "'"
    return Survivors(step, drive, staging)


def unrecoverable(room: Room) -> list[int]:
    """Return the chunks that neither the drive nor a durable staged copy holds as they were."""
    lost = []
    ring = StagingRing(room.staging, room.grid, room.plan.segment_chunks, InlineLanes())
    for chunk in range(room.grid.count):
        span = room.grid.span(chunk)
        sectors = range(span.start // room.plan.logical, -(-span.end // room.plan.logical))
        truth = room.truth[span.start : span.end]
        if room.disk.bad.isdisjoint(sectors) and room.disk.medium[span.start : span.end] == truth:
            continue
        if not _is_staged(room, ring, chunk):
            lost.append(chunk)
    return lost


def _is_staged(room: Room, ring: StagingRing, chunk: int) -> bool:
    for slot, header in ring.survey().held:
        if chunk not in header.chunks:
            continue
        recorded = header.digests[header.chunks.index(chunk)]
        try:
            data = ring.load(slot, header.first_chunk, chunk, recorded)
        except StagingFailedError:  # a copy that cannot be read is none
            continue
        if data is not None:
            span = room.grid.span(chunk)
            return bytes(data) == room.truth[span.start : span.end]
    return False


@dataclass
class CutTally:
    """What a series of cuts came to."""

    cuts: int = 0
    runs: int = 0
    distinct: int = 0


def random_cuts(
    base: Room, seed: int, wanted: int, act: Callable[[Room], PassReport], tally: CutTally
) -> Iterator[tuple[int, Room, list[int]]]:
    """Cut at random until `wanted` distinct cuts were made; yield each run's room at its end.

    Up to four cuts fall in one run, recovery included. Yields (seed of the run, room, chunks
    that were unrecoverable after some cut).
    """
    seen: set[Survivors] = set()
    length = steps_of(base, act)
    while tally.distinct < wanted:
        run_seed = seed * 1_000_003 + tally.runs
        room, lost = one_run(base, run_seed, length, act, seen, tally)
        tally.runs += 1
        yield run_seed, room, lost


def one_run(
    base: Room,
    run_seed: int,
    length: int,
    act: Callable[[Room], PassReport],
    seen: set[Survivors],
    tally: CutTally,
) -> tuple[Room, list[int]]:
    """Make one run with up to four cuts, and let it end; replay with the same seed."""
    random = Random(run_seed)
    room = fork(base)
    lost: list[int] = []
    for _ in range(random.randint(1, 4)):
        if run_until_cut(room, random.randint(1, length), act) is not None:
            break
        survivors = power_on(
            room, random_fates(random), random_fates(random), new_boot=random.random() < 0.5
        )
        tally.cuts += 1
        if survivors not in seen:
            seen.add(survivors)
            tally.distinct += 1
        lost += unrecoverable(room)
    return room, lost


def steps_of(base: Room, act: Callable[[Room], PassReport]) -> int:
    """Return how many steps of I/O an undisturbed run takes."""
    room = fork(base)
    act(room)
    return room.line.steps


def every_cut(
    base: Room, act: Callable[[Room], PassReport], tally: CutTally
) -> Iterator[tuple[Survivors, Room]]:
    """Cut at every step with every set of survivors, tears and unreadable sectors included."""
    for step in range(1, steps_of(base, act) + 1):
        probe = fork(base)
        if run_until_cut(probe, step, act) is not None:
            return
        for on_drive, on_staging in product(_fates_of(probe.disk), _fates_of(probe.staging_disk)):
            room = fork(base)
            run_until_cut(room, step, act)
            survivors = power_on(room, _told(on_drive), _told(on_staging), new_boot=True)
            tally.cuts += 1
            yield survivors, room


Fate = tuple[str, int, int]


def _told(fates: dict[int, Fate]) -> Choose:
    return lambda sector, _versions: fates[sector]


def _fates_of(disk: SimulatedDisk) -> list[dict[int, Fate]]:
    """Return every combination of fates of the unflushed sectors."""
    unflushed = disk.unflushed()
    tears = range(512, disk.geometry.physical_bytes, 512)
    options = [
        [
            *(("version", version, 0) for version in range(versions + 1)),
            *(("torn", versions, at) for at in tears),
            ("unreadable", 0, 0),
        ]
        for versions in unflushed.values()
    ]
    return [dict(zip(unflushed, chosen, strict=True)) for chosen in product(*options)]
