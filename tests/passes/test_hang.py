"""A drive that answers no more: the pass says what hangs, the record stands, and nobody waits."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from threading import Event, Lock

import pytest

from refreshd.adapters.thread_lanes import LANE_COUNT, ThreadLanes
from refreshd.errors import DriveHungError, InvariantBrokenError, WriteFailedError
from refreshd.events import PassInterrupted
from refreshd.health_cards import HeatLimits
from refreshd.passes.bench import PassReport
from refreshd.passes.heat import begun
from refreshd.passes.metered import MeteredMedium, Pacer
from refreshd.passes.watch import Watch
from refreshd.quantities import PassKind, Span
from refreshd.simulated.disk import Op
from tests.fakes.broken_ports import LONGEST_S, HangingDrive, HangingStaging
from tests.fakes.cuts import fork
from tests.fakes.room import K07, Plan, Room
from tests.fakes.trials import base_room, ended, false_dates, is_held, wrong_bytes

PLAN = Plan(chunks=24, lag=4096, segment_chunks=4)
HUNG_AFTER_S = 0.5
"""Long against a simulated request, short against a person's patience."""


@pytest.fixture
def lanes() -> Iterator[ThreadLanes]:
    """Return real threads; they are ended, whatever happened."""
    threads = ThreadLanes(HUNG_AFTER_S)
    yield threads
    threads._pool.shutdown(wait=True)
    threads._side.shutdown(wait=True)


def hung(room: Room, lanes: ThreadLanes, op: Op, nth: int) -> tuple[HangingDrive, PassReport]:
    """Refresh on a drive whose n-th operation hangs."""
    room.lanes = lanes
    drive = HangingDrive(room.disk, op=op, nth=nth)
    room.drive = drive
    return drive, room.refresh()


@pytest.mark.parametrize(
    ("op", "nth", "doing"),
    [
        (Op.READ, 1, "reading 1024 bytes at byte "),
        (Op.READ, 30, "reading 1024 bytes at byte "),
        (Op.READ, 50, "reading 1024 bytes at byte "),
        (Op.WRITE, 1, "writing 1024 bytes at byte "),
        (Op.WRITE, 7, "writing 1024 bytes at byte "),
        (Op.FLUSH, 1, "flushing"),
        (Op.FLUSH, 3, "flushing"),
    ],
)
def test_a_hanging_drive_ends_the_pass_and_is_named(
    op: Op, nth: int, doing: str, lanes: ThreadLanes
) -> None:
    """I6: the report says what hangs and where; nothing more is written; the next run ends."""
    room = fork(base_room(PLAN))

    drive, report = hung(room, lanes, op, nth)
    written = [one for one in room.disk.log if one[0] is Op.WRITE]
    drive.answer.set()
    lanes._pool.shutdown(wait=True)
    lanes._side.shutdown(wait=True)
    late = [one for one in room.disk.log if one[0] is Op.WRITE][len(written) :]

    assert isinstance(report.stopped_by, DriveHungError)
    assert f"while {doing}" in str(report.stopped_by)
    assert str(report.stopped_by).startswith("simulated drive: ")
    assert lanes.is_hung
    assert len(late) <= (1 if op is Op.WRITE else 0), late  # the very request that hung
    reasons = [one.event for one in room.ledger.entries if isinstance(one.event, PassInterrupted)]
    assert [one.reason for one in reasons] == [str(report.stopped_by)]
    assert room.ledger.unfinished_pass(K07, PassKind.REFRESH) is not None
    assert (false_dates(room), wrong_bytes(room)) == (None, None)

    again = fork_after_hang(room)
    assert ended(again).stopped_by is None
    assert is_held(again, Span(0, PLAN.size))


def fork_after_hang(room: Room) -> Room:
    """Return the room of the next process: the drive was switched off and on."""
    room.disk.lose_power(lambda _sector, versions: ("version", versions, 0))
    room.staging_disk.lose_power(lambda _sector, versions: ("version", versions, 0))
    room.drive.replug()
    other = fork(room)
    other.drive = HangingDrive(other.disk, boot_id="boot-2", nth=0)
    return other


def test_what_was_to_follow_the_hanging_write_is_never_written(lanes: ThreadLanes) -> None:
    """A chunk with a hole is written in parts; the lane that hung writes no further part."""
    room = Room(Plan(chunk=2048, chunks=12, short_by=0, lag=4096))
    hole = Span(512, 512)
    room.disk.medium[hole.start : hole.end] = bytes(hole.length)
    room.truth = room.disk.content()
    room.drive.holes = (hole,)
    room.accession()
    room.years_pass()
    room.disk.log.clear()
    drive = HangingDrive(room.disk, holes=(hole,), op=Op.WRITE, start=0)
    room.drive, room.lanes = drive, lanes

    report = room.refresh()
    drive.answer.set()
    lanes._pool.shutdown(wait=True)

    assert isinstance(report.stopped_by, DriveHungError)
    written = [start for op, start, _ in room.disk.log if op is Op.WRITE]
    assert 0 in written
    assert hole.end not in written


def test_a_hanging_staging_disk_is_not_blamed_on_the_drive(lanes: ThreadLanes) -> None:
    """The sentence says which disk to look at."""
    room = fork(base_room(PLAN))
    room.lanes = lanes
    staging = HangingStaging(room.staging_disk, nth=2)
    room.staging = staging

    report = room.refresh()
    staging.answer.set()

    assert isinstance(report.stopped_by, DriveHungError)
    assert "not the drive, but the disk that holds the staged copies" in str(report.stopped_by)
    assert not room.disk.unflushed()


def test_a_pass_on_threads_does_what_a_pass_without_does(lanes: ThreadLanes) -> None:
    """Lanes change the order of requests in flight, and nothing else."""
    room = fork(base_room(PLAN))
    quiet = fork(base_room(PLAN))
    room.lanes = lanes

    report, expected = room.refresh(), quiet.refresh()

    assert (report.outcome, report.findings, report.mended) == (expected.outcome, (), ())
    assert report.bytes_written == expected.bytes_written == PLAN.size
    assert is_held(room, Span(0, PLAN.size))


def test_results_come_in_order_though_acts_end_out_of_order(lanes: ThreadLanes) -> None:
    """`each` yields in the order of its items."""
    second_done = Event()

    def act(item: int) -> int:
        if item == 0:
            second_done.wait(LONGEST_S)
        if item == 1:
            second_done.set()
        return item * 10

    assert list(lanes.each(act, range(20))) == [item * 10 for item in range(20)]


def test_an_error_stands_where_its_result_would_and_the_rest_is_left_alone(
    lanes: ThreadLanes,
) -> None:
    """Acts under way end before the error is raised; what was not begun never begins."""
    begun: set[int] = set()
    ended_acts: set[int] = set()
    lock = Lock()

    def act(item: int) -> int:
        with lock:
            begun.add(item)
        if item == 3:
            raise WriteFailedError("somewhere", Span(0, 512), "input/output error")
        with lock:
            ended_acts.add(item)
        return item

    seen: list[int] = []
    with pytest.raises(WriteFailedError):
        seen.extend(lanes.each(act, count()))

    assert seen == [0, 1, 2]
    assert begun - ended_acts == {3}
    assert max(begun) <= 3 + LANE_COUNT * 2


def test_look_ahead_is_bounded(lanes: ThreadLanes) -> None:
    """A slow caller does not make a whole drive's readings wait in memory."""
    taken = 0

    def items() -> Iterator[int]:
        nonlocal taken
        for item in range(1000):
            taken += 1
            yield item

    results = lanes.each(lambda item: item, items())
    first = next(results)
    ahead = taken
    results.close()  # type: ignore[attr-defined]  # a generator

    assert first == 0
    assert ahead <= LANE_COUNT * 2 + 1
    assert taken == ahead


def test_an_act_that_times_out_by_itself_is_no_hang(lanes: ThreadLanes) -> None:
    """A TimeoutError of the act is handed on as it is."""

    def act() -> int:
        raise TimeoutError("the act's own")

    with pytest.raises(TimeoutError, match="the act's own"):
        lanes.aside(act)()

    assert not lanes.is_hung


def test_nothing_is_asked_of_lanes_that_hang(lanes: ThreadLanes) -> None:
    """After a hang, a caller that mends errors by writing again is refused."""
    answer = Event()
    with pytest.raises(DriveHungError, match=r"for 0\.5 s"):
        lanes.aside(lambda: answer.wait(LONGEST_S))()

    with pytest.raises(DriveHungError, match="nothing more is asked"):
        list(lanes.each(lambda item: item, [1]))
    with pytest.raises(DriveHungError, match="nothing more is asked"):
        lanes.aside(lambda: None)
    answer.set()


def test_an_error_is_not_held_back_by_another_act_that_hangs(lanes: ThreadLanes) -> None:
    """The first error is told; the hang is noticed, and the next request refused."""
    answer = Event()

    def act(item: int) -> int:
        if item == 0:
            raise WriteFailedError("somewhere", Span(0, 512), "input/output error")
        answer.wait(LONGEST_S)
        return item

    with pytest.raises(WriteFailedError):
        list(lanes.each(act, range(3)))

    assert lanes.is_hung
    answer.set()


def test_closing_does_not_wait_for_a_thread_that_hangs(lanes: ThreadLanes) -> None:
    """The process can leave."""
    answer = Event()
    with pytest.raises(DriveHungError):
        lanes.aside(lambda: answer.wait(LONGEST_S))()

    lanes.close()

    assert not answer.is_set()
    answer.set()


def test_buffers_are_apart_by_use_length_and_thread(lanes: ThreadLanes) -> None:
    """What waits to be written shares no memory with the next reading."""
    mine = lanes.scratch(4096, "segment")
    mine[:] = b"m" * 4096
    for other in (
        lanes.scratch(4096),
        lanes.scratch(8192, "segment"),
        lanes.aside(lambda: lanes.scratch(4096, "segment"))(),
    ):
        other[:] = bytes(len(other))

    assert lanes.scratch(4096, "segment") is mine
    assert bytes(mine) == b"m" * 4096


def test_a_write_is_refused_after_an_error_of_another_lane() -> None:
    """No write in doubt of the drive's identity, whichever lane met the error."""
    room = fork(base_room(PLAN))
    watch = Watch(room.bench(), begun(HeatLimits(), None, is_silent=False), is_rewriting=True)
    metered = MeteredMedium(room.drive, Pacer(room.clock, room.lanes, None), watch, 0)
    metered.open_for_writing()
    room.drive.disk.is_gone = True
    with pytest.raises(Exception, match="is gone"):
        metered.read(0, memoryview(bytearray(512)))
    room.drive.disk.is_gone = False

    with pytest.raises(WriteFailedError, match="not tried after an earlier error"):
        metered.write(0, memoryview(bytearray(512)))
    metered.open_for_writing()
    metered.write(0, memoryview(room.truth[:512]))

    metered.abandon()
    with pytest.raises(InvariantBrokenError, match="before the rewrite stage"):
        metered.write(0, memoryview(room.truth[:512]))

    assert room.drive.proofs == 2
    assert metered.oldest_request() is None


def test_a_wait_for_the_rate_limit_is_no_hang() -> None:
    """With a low rate and large chunks a lane may rest longer than a request may take."""
    lanes = ThreadLanes(0.05)

    def rest(item: int) -> int:
        with lanes.resting():
            Event().wait(0.2)
        return item

    assert list(lanes.each(rest, range(3))) == [0, 1, 2]
    assert lanes.aside(lambda: rest(4))() == 4
    assert not lanes.is_hung
    lanes.close()
