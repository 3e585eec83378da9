"""One test for each invariant that a pass holds, told from what the ports see and in what order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta

import pytest

from refreshd.events import (
    ChunksProved,
    DigestsRecorded,
    DriveHeld,
    Entry,
    Event,
    FindingOpened,
)
from refreshd.passes.bench import PassReport
from refreshd.passes.ring import StagingRing
from refreshd.simulated.disk import Failure, Kind, Op
from refreshd.simulated.drive import SimulatedDrive
from refreshd.simulated.lanes import InlineLanes
from refreshd.simulated.ledger import SimulatedLedger
from tests.fakes.broken_ports import BusyAttendant, writes_of
from tests.fakes.cuts import fork
from tests.fakes.room import K07, Plan, Room, damaged
from tests.fakes.trials import CACHED, LONG, base_room, wrong_bytes

Look = Callable[[int, memoryview], None]


@dataclass
class ObservedDrive(SimulatedDrive):
    """Calls somebody right before each write, and counts the bytes that go over it."""

    before_write: Look = lambda _start, _data: None
    before_open: Callable[[], None] = lambda: None
    traffic: int = 0
    written_at: dict[int, int] = field(default_factory=dict)  # byte: traffic after its last write
    read_at: dict[int, int] = field(default_factory=dict)  # byte: traffic before its last reading

    def read(self, start: int, into: memoryview) -> None:
        """Read."""
        self.read_at[start] = self.traffic
        super().read(start, into)
        self.traffic += len(into)

    def allow_writing(self) -> None:
        """Take writes, after somebody looked."""
        self.before_open()
        super().allow_writing()

    def write(self, start: int, data: memoryview) -> None:
        """Write, after somebody looked."""
        self.before_write(start, data)
        super().write(start, data)
        self.traffic += len(data)
        self.written_at[start] = self.traffic


class ListeningLedger(SimulatedLedger):
    """Calls somebody right before each record."""

    hear: Callable[[Event], None]

    def record(self, event: Event) -> Entry:
        """Record, after somebody heard."""
        self.hear(event)
        return super().record(event)


def observed(plan: Plan) -> tuple[Room, ObservedDrive]:
    """Return a room with an observed drive."""
    room = fork(base_room(plan))
    drive = ObservedDrive(room.disk)
    room.drive = drive
    return room, drive


def test_i1_a_verified_durable_copy_lies_in_staging_at_every_write() -> None:
    """I1: two places, at the very moment of every write."""
    room, drive = observed(LONG)
    ring = StagingRing(room.staging, room.grid, LONG.segment_chunks, InlineLanes())
    looked = 0

    def look(start: int, data: memoryview) -> None:
        nonlocal looked
        looked += 1
        assert not room.staging_disk.unflushed()
        chunk = start // LONG.chunk
        copies = [
            ring.load(slot, header.first_chunk, chunk, header.digests[header.chunks.index(chunk)])
            for slot, header in ring.survey().held
            if chunk in header.chunks
        ]
        assert any(copy is not None and bytes(copy) == bytes(data) for copy in copies)

    drive.before_write = look
    room.refresh()

    assert looked == LONG.chunks


def test_i2_only_bytes_that_matched_their_digest_are_written() -> None:
    """I2: not the differing, not the unreadable, not the never recorded, and nothing else."""
    room, drive = observed(LONG)
    damaged(room, 5 * 1024 + 3)
    room.disk.bad.add(9 * 2)
    whole = room.disk.content()
    wrong: list[int] = []

    def look(start: int, data: memoryview) -> None:
        if bytes(data) != room.truth[start : start + len(data)]:
            wrong.append(start)

    drive.before_write = look
    room.refresh()

    assert wrong == []
    assert {start // 1024 for start in writes_of(room.disk)} == set(range(40)) - {5, 9}
    assert room.disk.content() == whole
    assert room.disk.bad == {18}


@pytest.mark.parametrize("unreadable", [(), (0, 1, 2, 3, 4, 5)])
def test_i3_a_chunk_counts_only_after_a_reading_beyond_the_lag(unreadable: tuple[int, ...]) -> None:
    """I3: between a chunk's last write and the reading that dates it lie twice the cache.

    What cannot be read elsewhere does not count towards the lag.
    """
    room, drive = observed(CACHED)
    room.disk.bad.update(chunk * 2 for chunk in unreadable)
    dated: list[int] = []

    def hear(event: Event) -> None:
        if not isinstance(event, ChunksProved):
            return
        for run in event.rewritten:
            for chunk in range(run.first_chunk, run.first_chunk + run.count):
                start = chunk * CACHED.chunk
                assert drive.read_at[start] >= drive.written_at[start] + 2 * CACHED.cache
                dated.append(chunk)

    ledger = ListeningLedger(room.clock, room.line)
    ledger.restore(room.ledger.snapshot())
    ledger.entries = list(room.ledger.entries)
    ledger.hear = hear
    room.ledger = ledger
    room.refresh()

    assert dated == [one for one in range(CACHED.chunks) if one not in unreadable]


def test_i4_a_date_is_that_of_the_writes_beginning_and_never_newer() -> None:
    """I4: days go by between write and proof; the older day is recorded."""
    room, drive = observed(CACHED)
    began: dict[int, int] = {}

    def look(start: int, data: memoryview) -> None:
        began[start // CACHED.chunk] = room.clock.now().date().toordinal()

    def day_goes_by() -> None:
        room.clock.time += timedelta(days=1)

    drive.before_write = look
    room.attendant = BusyAttendant(at_move=day_goes_by)
    room.refresh()
    days = list(room.ledger.written_days(K07, 0, CACHED.chunks))

    assert days == [began[chunk] for chunk in range(CACHED.chunks)]
    assert min(days) < room.clock.now().date().toordinal()


def test_i4_a_fixity_date_is_that_of_the_passs_beginning() -> None:
    """I4: the first chunk was read on that day, and on none later."""
    room = fork(base_room(LONG))
    began = room.clock.now().date()

    def day_goes_by() -> None:
        room.clock.time += timedelta(days=1)

    room.attendant = BusyAttendant(at_move=day_goes_by)
    room.fixity()

    assert room.ledger.drive(K07).last_fixity == began


@pytest.mark.parametrize("act", [Room.fixity, Room.refresh], ids=["fixity", "refresh"])
def test_i5_findings_are_recorded_before_the_checkpoint_that_passes_them(
    act: Callable[[Room], PassReport],
) -> None:
    """I5: a cut between the two reads the place again; the other way round it would be lost."""
    room = fork(base_room(Plan(chunk=512, chunks=1100, segment_chunks=8, short_by=0, lag=8192)))
    bad = [3, 99, 400, 700, 1001]
    room.disk.bad.update(bad)
    act(room)
    found: set[int] = set()
    checkpoints = 0
    for event in (entry.event for entry in room.ledger.entries):
        if isinstance(event, FindingOpened):
            found.add(event.start_byte // 512)
        if isinstance(event, ChunksProved):
            checkpoints += 1
            assert {one for one in bad if one < event.next_chunk} <= found

    assert found == set(bad)
    assert checkpoints >= 2


def test_i5_an_accession_records_a_finding_before_the_digests_around_it() -> None:
    """I5: digests that are cut off are read again, a finding would be lost."""
    room = Room(Plan(chunk=512, chunks=600, segment_chunks=8, short_by=0, lag=8192))
    room.disk.bad.update({3, 300})
    room.accession()
    order = [
        one.event.start_byte // 512 if isinstance(one.event, FindingOpened) else "digests"
        for one in room.ledger.entries
        if isinstance(one.event, FindingOpened | DigestsRecorded)
    ]

    assert order == [3, "digests", 300, "digests", "digests"]


def test_i5_a_hold_is_written_down_before_the_pass_ends() -> None:
    """I5: whoever reads the report finds the hold in the record."""
    room = fork(base_room(LONG))
    room.disk.failure = Failure(1, frozenset({Op.WRITE}), is_forever=True)
    report = room.refresh()
    kinds = [type(one.event).__name__ for one in room.ledger.entries]

    assert report.stopped_by is not None
    assert kinds.index(DriveHeld.__name__) < kinds.index("PassInterrupted")


FAULTS = {
    "none": None,
    "read": Failure(30, frozenset({Op.READ}), is_forever=True),
    "write": Failure(3, frozenset({Op.WRITE}), is_forever=True),
    "flush": Failure(2, frozenset({Op.FLUSH}), is_forever=True),
    "gone": Failure(60, frozenset(Op), Kind.GONE),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_i9_the_drive_is_read_only_before_the_first_write_and_after_the_pass(fault: str) -> None:
    """I9: opened when the first segment is staged and durable, closed however the pass ends."""
    room, drive = observed(LONG)
    room.disk.failure = FAULTS[fault]

    def look() -> None:
        assert writes_of(room.disk) == []
        assert Op.FLUSH in {op for op, _, _ in room.staging_disk.log}
        assert not room.staging_disk.unflushed()

    drive.before_open = look
    room.refresh()

    assert len(drive.times_writable) == 1
    assert not drive.is_writable


@pytest.mark.parametrize("act", [Room.accession, Room.fixity], ids=["accession", "fixity"])
def test_i9_passes_that_only_read_never_open_the_drive_for_writing(
    act: Callable[[Room], PassReport],
) -> None:
    """I9: read-only until the rewrite stage, and these have none."""
    room = fork(base_room(LONG)) if act is Room.fixity else Room(LONG)
    damaged(room, 3000)

    act(room)

    assert room.drive.times_writable == []
    assert writes_of(room.disk) == []


def test_i9_a_closing_reading_is_made_on_a_drive_that_is_read_only_again() -> None:
    """I9: nothing more is written once all is proved."""
    room = fork(base_room(LONG))
    states: set[bool] = set()

    class Watching(BusyAttendant):
        """Notes whether the drive can be written while it is read once more."""

        def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
            """Note."""
            super().moved(done_bytes, of_bytes, doing)
            if doing == "closing reading":
                states.add(room.drive.is_writable)

    room.attendant = Watching()
    room.refresh(is_closing=True)

    assert states == {False}
    assert wrong_bytes(room) is None
