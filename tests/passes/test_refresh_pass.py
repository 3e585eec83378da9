"""The refresh pass on a simulated drive: what it rewrites, what it leaves alone, what it says."""

from __future__ import annotations

import pytest

from refreshd.errors import DriveHeldError, NotHeldError, PassStoppedError, PathDoubtedError
from refreshd.events import DriveRewritten, PassResumed
from refreshd.quantities import FindingKind, Outcome, PassKind, Span
from refreshd.simulated.disk import Failure, Op
from tests.fakes.room import K07, Plan, Room, damaged, taken_in

PLANS = [
    Plan(),
    Plan(physical=4096, chunk=8192, lag=24576, short_by=4096),
    Plan(logical=4096, physical=4096, chunk=8192, lag=24576, short_by=4096),
    Plan(cache=1536),
    Plan(segment_chunks=1),
    Plan(chunks=40, cache=2048, lag=4096, segment_chunks=4),
]


@pytest.mark.parametrize("plan", PLANS)
def test_a_sound_drive_is_rewritten_whole_and_holds_the_same_bytes(plan: Plan) -> None:
    """Every byte is written once, in place, and reads the same afterwards."""
    room = taken_in(plan)

    report = room.refresh()

    assert (report.outcome, report.stopped_by, report.findings) == (Outcome.SUCCESS, None, ())
    assert report.bytes_written == plan.size
    assert report.bytes_skipped == 0
    assert report.mended == ()
    assert room.disk.content() == room.truth
    assert room.ledger.oldest_written(K07).on == room.clock.now().date()
    assert room.ledger.unfinished_pass(K07, PassKind.REFRESH) is None


def test_a_chunk_that_differs_is_never_written_and_becomes_a_finding() -> None:
    """I2: only data that matched its digest is written back."""
    room = taken_in()
    damaged(room, 4100)
    before = room.disk.content()

    report = room.refresh()

    assert report.outcome is Outcome.FAIL
    assert [(one.kind, one.span) for one in report.findings] == [
        (FindingKind.MISMATCH, Span(4096, 1024))
    ]
    assert room.disk.content() == before
    assert not [entry for entry in room.disk.log if entry[0] is Op.WRITE and entry[1] == 4096]


def test_unreadable_sectors_are_narrowed_joined_and_never_written() -> None:
    """I2: a sector that cannot be read is left alone; neighbours are one finding."""
    room = taken_in()
    room.disk.bad.update({3, 4, 9})

    report = room.refresh()

    assert [(one.kind, one.span) for one in report.findings] == [
        (FindingKind.UNREADABLE, Span(1536, 1024)),
        (FindingKind.UNREADABLE, Span(4608, 512)),
    ]
    assert room.disk.bad == {3, 4, 9}


def test_nothing_is_written_before_the_first_segment_is_staged() -> None:
    """I9: the drive is read-only until the rewrite stage."""
    room = taken_in()

    room.refresh()

    assert room.drive.times_writable == [0]
    assert room.staging_disk.log[0][0] is Op.WRITE


def test_a_wrong_byte_behind_the_drives_cache_is_caught_and_mended() -> None:
    """I3: a read-back comes from the medium, the last bytes of the drive included."""
    plan = Plan(chunks=40, cache=2048, lag=4096, segment_chunks=4)
    for sector in (0, 37, plan.size // 512 - 1):
        room = taken_in(plan)
        room.disk.stored_wrongly[sector] = 1

        report = room.refresh()

        assert report.outcome is Outcome.WARNING
        assert [(one.span.start <= sector * 512 < one.span.end) for one in report.mended] == [True]
        assert room.disk.content() == room.truth


def test_a_medium_that_does_not_keep_its_bytes_stops_the_pass_and_goes_on_hold() -> None:
    """I1, I3: a second wrong read-back ends the pass; the right bytes are kept aside."""
    plan = Plan(chunks=40, cache=2048, lag=4096, segment_chunks=4)
    room = taken_in(plan)
    room.disk.stored_wrongly[3] = 100

    report = room.refresh()

    assert isinstance(report.stopped_by, NotHeldError)
    assert room.ledger.drive(K07).hold is not None
    assert list(room.staging.kept.values()) == [room.truth[1024:2048]]
    with pytest.raises(DriveHeldError, match="on hold"):
        room.refresh()


def test_a_second_reading_that_matches_blames_the_path_and_stops_all_writing() -> None:
    """A mismatch counts only after two readings that both differ."""
    room = taken_in(Plan(chunks=200))
    room.disk.flipped_once.add(2 * 30)

    report = room.refresh()

    assert isinstance(report.stopped_by, PathDoubtedError)
    assert report.findings == ()
    assert room.disk.content() == room.truth


def test_a_drive_with_other_content_is_not_written_to_and_gets_one_finding() -> None:
    """A wrong or reformatted drive is no decay: it stops before any write."""
    room = taken_in(Plan(chunks=64))
    damaged(room, 0, room.plan.size)
    before = room.disk.content()

    report = room.refresh()

    assert report.bytes_written == 0
    assert [one.span for one in report.findings] == [Span(0, room.plan.size)]
    assert room.disk.content() == before


def test_a_failed_flush_is_repeated_once_from_staging() -> None:
    """After a failed flush nothing since the last good one is known; it is written again."""
    room = taken_in()
    room.disk.failure = _flush_failure(nth=2)

    report = room.refresh()

    assert report.stopped_by is None
    assert [one.how for one in report.mended] == ["written again after a failed write or flush"]
    assert room.disk.content() == room.truth


def test_a_second_failed_flush_ends_the_pass_and_puts_the_drive_on_hold() -> None:
    """A failed flush is never simply asked again."""
    room = taken_in()
    room.disk.failure = _flush_failure(nth=2, is_forever=True)

    report = room.refresh()

    assert report.stopped_by is not None
    assert report.stopped_by.exit_code == 4
    assert room.ledger.drive(K07).hold is not None


def test_a_stopped_pass_goes_on_from_its_checkpoint() -> None:
    """I6: a stop on request loses nothing, and the next run ends the pass."""
    room = taken_in(Plan(chunks=40))
    room.attendant.stop_after = room.attendant.moves + 12

    stopped = room.refresh()
    room.attendant.stop_after = None
    ended = room.refresh()

    assert isinstance(stopped.stopped_by, PassStoppedError)
    assert stopped.pass_id == ended.pass_id
    resumed = [one.event for one in room.ledger.entries if isinstance(one.event, PassResumed)]
    goes_on = resumed[-1].next_chunk * room.plan.chunk
    assert f"goes on at byte {goes_on} " in str(stopped.stopped_by)
    assert ended.stopped_by is None
    assert ended.bytes_written < room.plan.size
    assert room.ledger.oldest_written(K07).on == room.clock.now().date()


def test_a_young_chunk_is_read_but_not_rewritten() -> None:
    """The drive is not worn by a refresh that was just made."""
    room = taken_in()
    room.refresh()

    again = room.refresh()

    assert (again.bytes_written, again.bytes_skipped) == (0, room.plan.size)
    written = [one.event for one in room.ledger.entries if isinstance(one.event, DriveRewritten)]
    assert [event.bytes_rewritten for event in written] == [room.plan.size]


def test_a_half_taken_in_drive_is_refused() -> None:
    """An interrupted accession is finished first."""
    room = Room()
    room.attendant.stop_after = 3
    stopped = room.accession()
    room.attendant.stop_after = None

    assert isinstance(stopped.stopped_by, PassStoppedError)
    with pytest.raises(DriveHeldError, match="not taken in completely"):
        room.refresh()
    assert room.accession().stopped_by is None
    assert room.refresh().outcome is Outcome.SUCCESS


def test_an_exchanged_drive_is_noticed_before_the_first_write() -> None:
    """Identity is proved again on the open handle before the first write."""
    room = taken_in()
    room.drive.is_exchanged = True

    report = room.refresh()

    assert report.stopped_by is not None
    assert report.bytes_written == 0


def test_a_closing_pass_finds_a_write_that_landed_elsewhere() -> None:
    """Only reading the whole drive once more catches a misdirected write."""
    plan = Plan(chunks=40)
    room = taken_in(plan)
    room.disk.misdirected[60] = 2

    report = room.refresh(is_closing=True)

    assert [one.span for one in report.findings] == [Span(1024, 1024)]


def _flush_failure(*, nth: int, is_forever: bool = False) -> Failure:
    return Failure(nth, frozenset({Op.FLUSH}), is_forever=is_forever)
