"""I6: the power may fail at any step of a pass or of a recovery, and nothing is lost.

The fault model is that of `refreshd.simulated.disk`: unflushed writes kept, dropped,
reordered, torn at 512 bytes, or left unreadable, on the drive and on the staging disk alike.
"""

from __future__ import annotations

import pytest

from refreshd.quantities import PassKind
from tests.fakes.cuts import CutTally, every_cut, random_cuts, run_until_cut
from tests.fakes.room import K07, Plan, Room, taken_in

SMALL = {
    "512n": Plan(chunk=512, chunks=4, short_by=0, lag=1024),
    "512e": Plan(physical=4096, chunk=4096, chunks=3, segment_chunks=1, short_by=0, lag=4096),
    "4Kn": Plan(
        logical=4096, physical=4096, chunk=4096, chunks=3, segment_chunks=1, short_by=0, lag=4096
    ),
}

RANDOM = {
    "512n": Plan(),
    "512e": Plan(physical=4096, chunk=8192, chunks=8, lag=24576, short_by=4096),
    "4Kn": Plan(
        logical=4096, physical=4096, chunk=8192, chunks=8, lag=24576, short_by=4096, seed=5
    ),
}

RANDOM_CUTS = 7_000  # of each geometry: 21,000 in all


def finishes_whole(room: Room) -> None:
    """Assert that the pass ends by itself now, and that the drive holds what it held."""
    report = room.refresh() if room.ledger.unfinished_pass(K07, PassKind.REFRESH) else None

    assert report is None or report.stopped_by is None, report
    assert room.disk.content() == room.truth
    assert not room.disk.bad
    assert room.ledger.findings() == ()


@pytest.mark.cuts
@pytest.mark.parametrize("name", SMALL)
def test_every_cut_of_a_small_drive_loses_nothing(name: str) -> None:
    """I1, I6: every step, every set of survivors, every tear."""
    tally = CutTally()
    base = taken_in(SMALL[name])

    for survivors, room in every_cut(base, Room.refresh, tally):
        try:
            finishes_whole(room)
        except AssertionError as err:
            raise AssertionError(f"{name}: {survivors}") from err

    assert tally.cuts > 300


@pytest.mark.cuts
@pytest.mark.parametrize("name", RANDOM)
def test_random_cuts_in_pass_and_recovery_lose_nothing(name: str) -> None:
    """I1, I6: up to four cuts a run; a failing run is replayed with `one_run` and its seed."""
    tally = CutTally()
    base = taken_in(RANDOM[name])

    for run_seed, room, lost in random_cuts(base, 20_31, RANDOM_CUTS, Room.refresh, tally):
        try:
            assert lost == []
            finishes_whole(room)
        except AssertionError as err:
            raise AssertionError(f"{name}: replay with one_run(..., run_seed={run_seed})") from err

    assert tally.distinct >= RANDOM_CUTS


def test_the_step_count_covers_drive_staging_and_record() -> None:
    """A cut at step 1 and one behind the last step are both possible."""
    base = taken_in(SMALL["512n"])

    assert run_until_cut(base, 1, Room.refresh) is None
