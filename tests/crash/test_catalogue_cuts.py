"""Power cuts under the real catalogue file: what the disk may hold afterwards, sector by sector.

Between two acknowledged transactions the files are looked at as they are. A commit writes the
write-ahead file and syncs it, and only then may a checkpoint write the database file and sync
that. So a cut leaves one of two kinds of state:

- in the commit: the database as before, each changed sector of the write-ahead file old, new,
  or garbled, or the file ends early;
- in the checkpoint: the write-ahead file complete, the changed sectors of the database old,
  new or garbled.

The -shm file is no more than a cache; a cut loses it.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from random import Random

import pytest

from refreshd.adapters.catalogue import SqliteCatalogue
from refreshd.adapters.catalogue.opening import open_for_writing
from refreshd.events import (
    DriveLeft,
    DriveReleased,
    Entry,
    Event,
    NoticeDelivered,
    PutAwayAsked,
    SlipAnswered,
    SlipReturned,
)
from refreshd.quantities import PassKind, SlipNumber
from refreshd.simulated.catalogue import MemoryCatalogue
from tests.builders import K07, Scribe, arrived, begun, issued, opened, proved, taken_in

CHUNKS = 1100
MIXES = 6  # random mixtures of old, new and garbled sectors for each transaction
SEED = 20260301
LOG_HEADER_BYTES = 32
"""Source: sqlite.org/fileformat2.html section 4.1; that it is synced first: wal.c, walWriteLog,
"Sync the header", and test_the_header_of_a_log_begun_anew_is_synced_first."""


@dataclass(frozen=True)
class Disk:
    """The two files as bytes."""

    database: bytes
    log: bytes


@dataclass(frozen=True)
class Step:
    """One acknowledged transaction: the files before and after, and its last entry's number."""

    before: Disk
    after: Disk
    head_before: int
    head_after: int


def story() -> list[list[Event]]:
    """Return transactions of a visit: slip, arrival, checkpoints, findings, release."""
    refresh, first = begun(2, PassKind.REFRESH), SlipNumber(1)
    story: list[list[Event]] = [taken_in(CHUNKS), [issued(1)]]
    story.append([arrived(), SlipAnswered(drive=K07, slip=first)])
    story.append([NoticeDelivered(channel="post", stages=((first, "issued"),)), refresh])
    for turn in range(7):
        day = date(2026, 4, 1 + turn)
        story.append([proved(refresh, turn * 90, 16, day, holes=(turn * 90 + 20, 2))])
        if turn % 3 == 0:
            story.append([opened(turn + 1, turn * 90 + 50), opened(turn + 2, turn * 90 + 51)])
    asked = PutAwayAsked(drive=K07, slip=first, is_done=False, note="on battery")
    story.append([DriveReleased(drive=K07, how="spun down"), asked])
    story.append([DriveLeft(drive=K07), SlipReturned(drive=K07, slip=first, how="unplugged")])
    return story


def look(path: Path) -> Disk:
    """Return what the two files hold now."""
    log = path.with_name(f"{path.name}-wal")
    return Disk(path.read_bytes(), log.read_bytes() if log.exists() else b"")


def record(path: Path, checkpoint_pages: int) -> tuple[list[Step], list[list[Entry]]]:
    """Record the story and return each transaction as the disk saw it."""
    file = open_for_writing(path)
    with file.engine.connect() as connection:
        connection.exec_driver_sql(f"PRAGMA wal_autocheckpoint = {checkpoint_pages}")
    catalogue, scribe = SqliteCatalogue(path, file), Scribe()
    steps: list[Step] = []
    told: list[list[Entry]] = []
    sequence = 0
    for events in story():
        before = look(path)
        entries = scribe.entries(*events)
        catalogue.apply(entries)
        told.append(entries)
        steps.append(Step(before, look(path), sequence, entries[-1].sequence))
        sequence = entries[-1].sequence
    catalogue.close()
    return steps, told


def cut_commits(step: Step, sector: int, random: Random) -> Iterator[Disk]:
    """Yield what a cut in the commit may leave: cut short at each sector, torn, mixed."""
    old, new = step.before.log, step.after.log
    yield Disk(step.before.database, new)  # all of it arrived, but nobody was told
    for at in range(0, len(new), sector):
        if old[at : at + sector] == new[at : at + sector]:
            continue
        rest = old[at:]
        yield Disk(step.before.database, new[:at] + rest)
        garbled = random.randbytes(min(sector, len(new) - at))
        yield Disk(step.before.database, new[:at] + garbled + rest[sector:])
    # A log that is begun anew has its header synced before any frame is written over the frames
    # of older transactions, so that no cut leaves those garbled under the old header.
    old = new[:LOG_HEADER_BYTES] + old[LOG_HEADER_BYTES:] if old else old
    for _ in range(MIXES):
        yield Disk(step.before.database, mixed(old, new, sector, random))


def cut_checkpoints(step: Step, sector: int, random: Random) -> Iterator[Disk]:
    """Yield what a cut in the checkpoint after the commit may leave."""
    if step.before.database == step.after.database:
        return
    for _ in range(MIXES):
        yield Disk(mixed(step.before.database, step.after.database, sector, random), step.after.log)


def mixed(old: bytes, new: bytes, sector: int, random: Random) -> bytes:
    """Return a file in which each changed sector is old, new or garbled, perhaps cut short."""
    longest = max(len(old), len(new))
    content = bytearray()
    for at in range(0, longest, sector):
        before, after = old[at : at + sector], new[at : at + sector]
        fates = (before, after, random.randbytes(len(after) or len(before)))
        content += before if before == after else random.choice(fates).ljust(len(after), b"\0")
    return bytes(content[: random.choice((longest, random.randrange(len(new), longest + 1)))])


def everything(catalogue: SqliteCatalogue | MemoryCatalogue) -> list[object]:
    """Return what the catalogue knows of the drive."""
    if not catalogue.drives():
        return [catalogue.head()]
    return [
        catalogue.head(),
        catalogue.drives(),
        catalogue.findings(),
        catalogue.digests(K07, 0, CHUNKS),
        list(catalogue.written_days(K07, 0, CHUNKS)),
        catalogue.unfinished_pass(K07, PassKind.REFRESH),
        catalogue.passes(K07),
        catalogue.shelf_rows(),
        catalogue.stays(),
        catalogue.deliveries(),
        [catalogue.slip(SlipNumber(one)) for one in range(1, catalogue.next_slip_number())],
    ]


def known_states(told: list[list[Entry]]) -> dict[int, list[object]]:
    """Return what is to be known after each transaction, by the number of its last entry."""
    memory = MemoryCatalogue()
    states = {0: everything(memory)}
    for entries in told:
        memory.apply(entries)
        states[entries[-1].sequence] = everything(memory)
    return states


def after_cut(room: Path, disk: Disk) -> list[object]:
    """Start again on what a cut left, and return what the catalogue knows then."""
    shutil.rmtree(room, ignore_errors=True)
    room.mkdir()
    path = room / "catalogue.sqlite"
    path.write_bytes(disk.database)
    if disk.log:
        path.with_name(f"{path.name}-wal").write_bytes(disk.log)
    with SqliteCatalogue.for_writing(path) as catalogue:
        return everything(catalogue)


@pytest.fixture
def room() -> Iterator[Path]:
    """Return a directory in memory where there is one: what was synced is known to the test."""
    memory = Path("/dev/shm")  # noqa: S108 - only to be quicker
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        yield Path(name)


@pytest.mark.cuts
@pytest.mark.parametrize("sector", [512, 4096])
@pytest.mark.parametrize("checkpoint_pages", [100_000, 8, 1])
def test_a_cut_leaves_a_prefix_with_every_acknowledged_transaction(
    room: Path, checkpoint_pages: int, sector: int
) -> None:
    """I5, I6: the file holds whole transactions only, and none that was acknowledged is lost.

    With few pages between checkpoints the write-ahead file is also begun anew, over the
    frames of older transactions, and the database file is written under the cut.
    """
    random = Random(SEED)
    steps, told = record(room / "catalogue.sqlite", checkpoint_pages)
    states = known_states(told)
    cuts = {"commit": 0, "checkpoint": 0}
    survived = 0
    for step in steps:
        for disk in cut_commits(step, sector, random):
            known = after_cut(room / "cut", disk)

            assert known in (states[step.head_before], states[step.head_after])
            survived += known == states[step.head_after]
            cuts["commit"] += 1
        for disk in cut_checkpoints(step, sector, random):
            assert after_cut(room / "cut", disk) == states[step.head_after]
            cuts["checkpoint"] += 1
    print(f"seed {SEED}: cuts {cuts}, the unacknowledged survived {survived}")  # noqa: T201

    assert cuts["commit"] > 150
    assert 0 < survived < cuts["commit"]
    assert checkpoint_pages > 1000 or cuts["checkpoint"] > 30
