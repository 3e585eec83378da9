"""Passes interrupted anywhere, by anything, and taken up again; two kinds of them at once."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from refreshd.errors import PassStoppedError
from refreshd.events import ChunksProved, FixityChecked, PassEnded, PassResumed
from refreshd.passes.bench import PassReport
from refreshd.quantities import Outcome, PassKind, Span
from refreshd.simulated.disk import Op
from tests.fakes.cuts import fork, power_on, run_until_cut, steps_of, unrecoverable
from tests.fakes.room import K07, Plan, Room
from tests.fakes.trials import base_room, ended, false_dates, is_held, killed_trial

PLAN = Plan(chunks=12, lag=2048)
WHOLE = Span(0, PLAN.size)
KILLS = 400

Run = Callable[[Room], PassReport]
KINDS = [PassKind.ACCESSION, PassKind.FIXITY, PassKind.REFRESH]
RUNS: dict[PassKind, Run] = {
    PassKind.ACCESSION: Room.accession,
    PassKind.FIXITY: Room.fixity,
    PassKind.REFRESH: Room.refresh,
}


def new_room(kind: PassKind) -> Room:
    """Return a room in which a pass of this kind can begin."""
    return Room(PLAN) if kind is PassKind.ACCESSION else fork(base_room(PLAN))


def power_back(room: Room) -> None:
    """Start again after a cut; what was in flight is kept on even steps, dropped on odd ones."""
    keep = room.line.steps % 2
    for_all = ("version", keep, 0)
    power_on(room, lambda _s, _n: for_all, lambda _s, _n: for_all, new_boot=True)


def is_as_wanted(room: Room, kind: PassKind) -> None:
    """Assert that the record says what an undisturbed pass would have made it say."""
    digests = base_room(PLAN).ledger.digests(K07, 0, PLAN.chunks)
    today = room.clock.now().date()

    assert room.ledger.unfinished_pass(K07, kind) is None
    assert room.ledger.findings() == ()
    assert room.ledger.digests(K07, 0, PLAN.chunks) == digests
    assert is_held(room, WHOLE)
    assert room.ledger.drive(K07).is_taken_in
    if kind is PassKind.REFRESH:
        assert room.ledger.oldest_written(K07).on == today
    if kind is PassKind.FIXITY:
        assert room.ledger.drive(K07).last_fixity == today


@pytest.mark.parametrize("kind", KINDS)
def test_a_pass_asked_to_stop_at_any_move_goes_on_from_there(kind: PassKind) -> None:
    """I6: stopped, resumable, the same pass, nothing done twice that was checkpointed."""
    stops = 0
    while True:
        room = new_room(kind)
        room.attendant.stop_after = stops
        report = RUNS[kind](room)
        if report.stopped_by is None:
            break
        assert isinstance(report.stopped_by, PassStoppedError)
        assert room.ledger.unfinished_pass(K07, kind) is not None
        assert not room.disk.unflushed()
        assert (false_dates(room), unrecoverable(room)) == (None, [])
        room.attendant.stop_after = None
        again = RUNS[kind](room)
        assert (again.stopped_by, again.pass_id) == (None, report.pass_id)
        is_as_wanted(room, kind)
        stops += 1

    assert stops >= PLAN.chunks // PLAN.segment_chunks - 1


@pytest.mark.parametrize("kind", KINDS)
def test_a_pass_stopped_at_every_move_still_ends(kind: PassKind) -> None:
    """A server that is shut down every evening gets there."""
    room = new_room(kind)
    for _ in range(30):
        room.attendant.stop_after = room.attendant.moves + 5
        report = RUNS[kind](room)
        if report.stopped_by is None:
            break
        assert isinstance(report.stopped_by, PassStoppedError)

    is_as_wanted(room, kind)


@pytest.mark.parametrize("kind", KINDS)
def test_a_pass_cut_off_at_any_step_is_taken_up_again(kind: PassKind) -> None:
    """I6: the power fails at every read, write, flush and record."""
    total = steps_of(new_room(kind), RUNS[kind]) if kind is not PassKind.ACCESSION else 10_000
    for step in range(1, total + 1):
        room = new_room(kind)
        if run_until_cut(room, step, RUNS[kind]) is not None:
            break
        power_back(room)
        report = _taken_up(room, kind)
        assert report is None or report.stopped_by is None, step
        is_as_wanted(room, kind)

    assert step > PLAN.chunks


def _taken_up(room: Room, kind: PassKind) -> PassReport | None:
    """Run the pass again, unless the cut came right behind its end."""
    last = room.ledger.entries[-1].event if room.ledger.entries else None
    if isinstance(last, PassEnded) and last.pass_kind is kind:
        return None
    return RUNS[kind](room)


def test_a_killed_process_leaves_nothing_to_the_next_power_cut() -> None:
    """I1: what is still in the drive's own cache is flushed before its copy is written over."""
    harms = {seed: harm for seed in range(KILLS) if (harm := killed_trial(seed))}

    assert harms == {}


def half_done() -> Room:
    """Return a drive whose refresh was cut, with a sector that waits to be put back."""
    for step in range(60, 400):
        room = fork(base_room(PLAN))
        assert run_until_cut(room, step, Room.refresh) is None
        power_on(
            room,
            lambda sector, _n: ("unreadable", sector, 0),
            lambda _s, n: ("version", n, 0),
            new_boot=True,
        )
        if room.disk.bad:
            return room
    raise AssertionError("no cut left an unreadable sector")


def test_a_fixity_pass_in_between_does_not_disturb_the_recovery_of_a_refresh() -> None:
    """Two kinds of pass are unfinished at once; each is taken up by its own kind."""
    stops = 0
    while True:
        room = half_done()
        refresh_id = _id_of(room, PassKind.REFRESH)
        staged = room.staging_disk.content()
        room.attendant.stop_after = stops
        checked = room.fixity()
        room.attendant.stop_after = None
        assert room.staging_disk.content() == staged
        assert _id_of(room, PassKind.REFRESH) == refresh_id
        refreshed = room.refresh()
        assert (refreshed.stopped_by, refreshed.pass_id) == (None, refresh_id)
        assert refreshed.mended
        assert room.ledger.findings() == ()
        assert is_held(room, WHOLE)
        if checked.stopped_by is None:
            break
        again = room.fixity()
        assert (again.pass_id, again.stopped_by, again.findings) == (checked.pass_id, None, ())
        stops += 1

    assert stops >= PLAN.chunks - 1


def _id_of(room: Room, kind: PassKind) -> str:
    state = room.ledger.unfinished_pass(K07, kind)
    assert state is not None
    return state.id


def test_an_interrupted_closing_reading_is_made_again_and_writes_nothing() -> None:
    """The pass remembers that it is closing, whatever the next command says."""
    base = fork(base_room(PLAN))
    closing_from = steps_of(base, Room.refresh)
    cuts = 0
    for step in range(closing_from - 2, closing_from + 40):
        room = fork(base)
        if run_until_cut(room, step, lambda one: one.refresh(is_closing=True)) is not None:
            break
        power_back(room)
        if room.ledger.unfinished_pass(K07, PassKind.REFRESH) is None:
            continue
        room.disk.log.clear()
        report = room.refresh(is_closing=False)
        assert (report.stopped_by, report.outcome) == (None, Outcome.SUCCESS)
        assert not [one for one in room.disk.log if one[0] is Op.WRITE]
        closing = [_moment(one.event) for one in room.ledger.entries].count("closing")
        assert closing in {1, 2}  # two when the cut came between it and the end of the pass
        cuts += 1

    assert cuts > 8


def _moment(event: object) -> str | None:
    return event.moment if isinstance(event, FixityChecked) else None


def test_a_stop_in_the_closing_reading_is_obeyed() -> None:
    """A closing reading takes as long as a fixity pass; nobody waits for its end."""
    room = fork(base_room(PLAN))
    quiet = fork(base_room(PLAN))
    quiet.refresh()
    room.attendant.stop_after = quiet.attendant.moves + 4

    stopped = room.refresh(is_closing=True)
    room.attendant.stop_after = None
    again = room.refresh()

    assert isinstance(stopped.stopped_by, PassStoppedError)
    assert (again.stopped_by, again.pass_id) == (None, stopped.pass_id)


def test_no_chunk_before_a_checkpoint_is_written_again() -> None:
    """A resumed pass begins at the checkpoint that its resumption names."""
    room = fork(base_room(PLAN))
    assert (
        run_until_cut(room, steps_of(base_room(PLAN), Room.refresh) * 3 // 4, Room.refresh) is None
    )
    power_back(room)
    room.disk.log.clear()

    ended(room)

    resumed = [one.event for one in room.ledger.entries if isinstance(one.event, PassResumed)]
    proved = [one.event for one in room.ledger.entries if isinstance(one.event, ChunksProved)]
    first = resumed[0].next_chunk
    assert first in {one.next_chunk for one in proved}
    assert first > 0
    assert min(start for op, start, _ in room.disk.log if op is Op.WRITE) == first * PLAN.chunk
