"""Drives, paths and memory that lie, and drives that were elsewhere: what is noticed, and how."""

from __future__ import annotations

import pytest

from refreshd.errors import PathDoubtedError, StagingFailedError
from refreshd.events import FindingAccepted, RangeMended, StagedBytesKept
from refreshd.fixity import digest
from refreshd.passes.recovery import PUT_BACK
from refreshd.passes.ring import StagingRing
from refreshd.quantities import NO_DIGEST, FindingKind, Outcome, PassKind, Span
from refreshd.simulated.disk import Failure, Op
from refreshd.simulated.lanes import InlineLanes
from tests.fakes.broken_ports import FlippingStaging, writes_of
from tests.fakes.cuts import fork, run_until_cut
from tests.fakes.room import K07, Plan, Room, damaged, taken_in
from tests.fakes.trials import CACHED, LONG, base_room, ended, is_held, length_of, wrong_bytes

WHOLE = Span(0, CACHED.size)
SECTORS = CACHED.size // 512

# --- memory and path


@pytest.mark.parametrize("nth", [1, 2, 4, 5, 7, 8, 58, 59])  # each third write is a header
def test_a_bit_that_flips_before_the_copy_is_made_never_reaches_the_drive(nth: int) -> None:
    """I1, I2: the copy is proved by the catalogue's digest, never by one of its own."""
    room = fork(base_room(LONG))
    room.staging = FlippingStaging(room.staging_disk, nth=nth, is_before=True)

    report = room.refresh()

    assert isinstance(report.stopped_by, StagingFailedError)
    assert wrong_bytes(room) is None
    assert ended(room).stopped_by is None
    assert is_held(room, Span(0, LONG.size))


@pytest.mark.parametrize("nth", [1, 2, 4, 5])
def test_a_bit_that_flips_after_the_copy_was_made_never_reaches_the_drive(nth: int) -> None:
    """I2: what is about to be written is digested once more."""
    room = fork(base_room(LONG))
    room.staging = FlippingStaging(room.staging_disk, nth=nth, is_before=False)

    report = room.refresh()

    assert isinstance(report.stopped_by, PathDoubtedError)
    assert "memory" in str(report.stopped_by)
    assert wrong_bytes(room) is None
    assert ended(room).stopped_by is None


@pytest.mark.parametrize("sector", [0, 1, 40, SECTORS - 2, SECTORS - 1])
@pytest.mark.parametrize("kind", [PassKind.FIXITY, PassKind.REFRESH])
def test_a_reading_flipped_once_blames_the_path(sector: int, kind: PassKind) -> None:
    """Two readings of the same bytes differed: no finding against the drive, no more writing."""
    room = fork(base_room(CACHED))
    room.disk.flipped_once.add(sector)

    report = room.fixity() if kind is PassKind.FIXITY else room.refresh()

    assert isinstance(report.stopped_by, PathDoubtedError)
    assert room.ledger.findings() == ()
    assert is_held(room, WHOLE)


@pytest.mark.parametrize("sector", [0, 3])
def test_a_stale_answer_of_the_drives_cache_is_no_damage(sector: int) -> None:
    """The second reading comes when the first answer is out of every cache."""
    room = fork(base_room(CACHED))
    room.disk._cache[sector] = bytes(512)

    report = room.fixity()

    assert isinstance(report.stopped_by, PathDoubtedError)
    assert room.ledger.findings() == ()


# --- drives that keep other bytes than they say


def test_a_wrong_byte_is_caught_and_mended_at_every_sector() -> None:
    """I3: the medium answers, not the drive's cache, to the last sector of the short last chunk."""
    assert CACHED.cache * 2 <= CACHED.lag
    for sector in range(SECTORS):
        room = fork(base_room(CACHED))
        room.disk.stored_wrongly[sector] = 1
        report = room.refresh()
        assert (report.stopped_by, report.outcome) == (None, Outcome.WARNING), sector
        assert [one.span for one in report.mended] == [room.grid.span(sector // 2)]
        assert is_held(room, WHOLE), sector


def test_a_dropped_write_of_the_same_bytes_cannot_be_seen() -> None:
    """The blind spot: old and new bytes are the same, so a drive that writes nothing looks well.

    Nothing is lost by it but the freshness of the signal; no software can tell.
    """
    room = fork(base_room(CACHED))
    room.disk.dropped.update(range(SECTORS))

    report = room.refresh()

    assert report.outcome is Outcome.SUCCESS
    assert is_held(room, WHOLE)


@pytest.mark.parametrize(("sector", "lands_on"), [(60, 2), (50, 0), (SECTORS - 1, 11)])
def test_a_misdirected_write_is_caught_by_the_closing_reading(sector: int, lands_on: int) -> None:
    """Only reading all of the drive once more finds a write that landed in a proved place."""
    room = fork(base_room(CACHED))
    room.disk.misdirected[sector] = lands_on

    report = room.refresh(is_closing=True)

    assert [(one.kind, one.span) for one in report.findings] == [
        (FindingKind.MISMATCH, room.grid.span(lands_on // 2))
    ]
    assert room.ledger.oldest_written(K07).held_chunks == 1


def test_without_a_closing_reading_the_next_fixity_pass_finds_it() -> None:
    """A misdirected write is not for ever unseen."""
    room = fork(base_room(CACHED))
    room.disk.misdirected[60] = 2

    assert room.refresh().outcome is Outcome.SUCCESS
    assert [one.span for one in room.fixity().findings] == [room.grid.span(1)]


# --- drives that were elsewhere


def pulled(*, same_stay: bool = False) -> Room:
    """Return a drive pulled in mid-pass with nothing in flight, and brought back."""
    room = fork(base_room(LONG))
    assert run_until_cut(room, length_of(LONG) * 6 // 10, Room.refresh) is None
    room.disk.lose_power(lambda _sector, versions: ("version", versions, 0))
    if not same_stay:
        room.drive.replug()
    room.disk.log.clear()
    return room


def in_doubt(room: Room) -> list[int]:
    """Return the chunks that are staged and not checkpointed."""
    state = room.ledger.unfinished_pass(K07, PassKind.REFRESH)
    assert state is not None
    ring = StagingRing(room.staging, room.grid, LONG.segment_chunks, InlineLanes())
    chunks = {
        chunk
        for _, header in ring.survey().held
        if header.pass_id == state.id
        for chunk in header.chunks
        if chunk >= state.next_chunk
    }
    assert len(chunks) >= 4
    return sorted(chunks)


def edit(room: Room, chunk: int) -> bytes:
    """Change a chunk on purpose; return the whole medium afterwards."""
    damaged(room, chunk * LONG.chunk + 100, 300)
    return room.disk.content()


@pytest.mark.parametrize("which", [0, 1, -1])
def test_an_edit_made_elsewhere_in_mid_pass_survives(which: int) -> None:
    """The edit stays, the staged bytes are kept, a finding asks."""
    room = pulled()
    chunk = in_doubt(room)[which]
    edited = edit(room, chunk)

    report = ended(room)

    assert room.disk.content() == edited
    assert [(one.kind, one.span) for one in report.findings] == [
        (FindingKind.MISMATCH, room.grid.span(chunk))
    ]
    span = room.grid.span(chunk)
    assert room.truth[span.start : span.end] in room.staging.kept.values()
    kept = [one.event for one in room.ledger.entries if isinstance(one.event, StagedBytesKept)]
    assert [one.start_byte for one in kept] == [span.start]
    assert report.findings[0].note.endswith(f"kept in {kept[0].file}")


@pytest.mark.parametrize("edited_chunk", ["in doubt", "done", "not reached"])
def test_nothing_is_put_back_beside_an_edit_not_even_the_unreadable(edited_chunk: str) -> None:
    """I2: without proof that the drive was not edited, no unreadable sector is written either."""
    room = pulled()
    chunks = in_doubt(room)
    where = {"in doubt": chunks[1], "done": 0, "not reached": LONG.chunks - 1}[edited_chunk]
    edited = edit(room, where)
    bad = chunks[0] * 2
    room.disk.bad.add(bad)

    report = ended(room)

    assert room.disk.content() == edited
    assert room.disk.bad == {bad}
    assert FindingKind.UNREADABLE in {one.kind for one in report.findings}
    assert room.grid.span(where) in {one.span for one in room.fixity().findings}
    assert bad * 512 not in writes_of(room.disk)
    assert room.truth[chunks[0] * 1024 : chunks[0] * 1024 + 1024] in room.staging.kept.values()


def test_an_edit_in_the_very_chunk_that_has_an_unreadable_sector_survives() -> None:
    """What can be read of a chunk must be as it was staged before the rest is put back."""
    room = pulled()
    chunk = in_doubt(room)[0]
    damaged(room, chunk * LONG.chunk + 700)
    room.disk.bad.add(chunk * 2)
    edited = room.disk.content()

    ended(room)

    assert room.disk.content() == edited
    assert room.disk.bad == {chunk * 2}


def test_an_unreadable_sector_is_put_back_when_all_else_matches() -> None:
    """I6: the second proof reads the whole drive."""
    room = pulled()
    chunk = in_doubt(room)[0]
    room.disk.bad.add(chunk * 2)

    report = ended(room)

    assert [(one.span, one.how) for one in report.mended] == [(room.grid.span(chunk), PUT_BACK)]
    assert any("all of it is read" in one for one in room.attendant.sentences)
    assert not room.disk.bad
    assert is_held(room, Span(0, LONG.size))
    assert room.ledger.findings() == ()


def test_within_one_stay_an_unreadable_sector_is_put_back_at_once() -> None:
    """Same boot and same disk sequence number: the drive was nowhere else."""
    room = pulled(same_stay=True)
    chunk = in_doubt(room)[0]
    room.disk.bad.add(chunk * 2)
    damaged(room, 5)  # would spoil the second proof, which is not needed

    report = ended(room)

    assert [(one.span, one.how) for one in report.mended] == [(room.grid.span(chunk), PUT_BACK)]
    assert not any("all of it is read" in one for one in room.attendant.sentences)
    assert not room.disk.bad


@pytest.mark.parametrize("is_edited", [False, True])
def test_within_one_stay_a_readable_chunk_is_put_back_only_if_all_else_matches(
    is_edited: bool,  # noqa: FBT001
) -> None:
    """The drive may have been mounted on this machine between the two visits."""
    room = pulled(same_stay=True)
    content = edit(room, in_doubt(room)[0])
    if is_edited:
        content = edit(room, 1)

    ended(room)

    assert is_held(room, Span(0, LONG.size)) is not is_edited
    assert (room.disk.content() == content) is is_edited


def slot_of(room: Room, chunk: int) -> tuple[int, int]:
    """Return the staging sectors where a chunk's slot and its payload begin."""
    ring = StagingRing(room.staging, room.grid, LONG.segment_chunks, InlineLanes())
    slot, header = next(one for one in ring.survey().held if chunk in one[1].chunks)
    return (
        ring._slot_start(slot) // 512,
        ring._payload_start(slot, chunk - header.first_chunk) // 512,
    )


def test_a_copy_under_an_unreadable_header_is_known_by_its_content() -> None:
    """I1: a slot that cannot be told is searched before anything is written over it."""
    room = pulled()
    chunk = in_doubt(room)[0]
    room.disk.bad.add(chunk * 2)
    room.staging_disk.bad.add(slot_of(room, chunk)[0])

    report = ended(room)

    assert [(one.span, one.how) for one in report.mended] == [(room.grid.span(chunk), PUT_BACK)]
    assert is_held(room, Span(0, LONG.size))


@pytest.mark.parametrize("is_header_lost", [False, True])
def test_a_copy_that_cannot_be_read_is_not_written_over_unsaid(is_header_lost: bool) -> None:  # noqa: FBT001
    """I1: the pass stops once, with a finding; once that disk reads again, all is mended."""
    room = pulled()
    chunk = in_doubt(room)[0]
    room.disk.bad.add(chunk * 2)
    header, payload = slot_of(room, chunk)
    bad = {payload, header} if is_header_lost else {payload}
    room.staging_disk.bad.update(bad)
    room.staging_disk.log.clear()

    report = room.refresh()

    assert isinstance(report.stopped_by, StagingFailedError)
    assert "its staged copy may lie where" in str(report.stopped_by)
    assert [one.span for one in report.findings] == [Span(chunk * 1024, 512)]
    assert writes_of(room.staging_disk) == []

    given_up = fork(room)
    room.staging_disk.bad -= bad
    assert ended(room).mended
    assert room.ledger.findings() == ()
    assert is_held(room, Span(0, LONG.size))
    assert [one.span for one in ended(given_up).findings] == [Span(chunk * 1024, 512)]


def test_a_passing_error_of_the_staging_disk_stops_nothing() -> None:
    """A staged copy is read a second time before it is taken for unreadable."""
    for nth in range(1, 60):
        room = pulled()
        room.disk.bad.add(in_doubt(room)[0] * 2)
        room.staging_disk.failure = Failure(nth, frozenset({Op.READ}))

        report = room.refresh()

        assert report.stopped_by is None, nth
        assert [one.how for one in report.mended] == [PUT_BACK]


# --- findings that come and go


def test_an_accepted_edit_is_refreshed_with_its_new_bytes() -> None:
    """The owner's yes makes the new bytes the recorded ones."""
    room = fork(base_room(LONG))
    edited = edit(room, 7)
    report = room.refresh()
    new = edited[7 * 1024 : 8 * 1024]
    assert report.findings[0].observed == digest(new)

    room.ledger.record(
        FindingAccepted(
            drive=K07,
            finding_id=report.findings[0].id,
            first_chunk=7,
            digests=digest(new),
            said_by="R. Vantongeren",
        )
    )
    again = room.refresh()

    assert (again.outcome, again.findings) == (Outcome.SUCCESS, ())
    assert again.bytes_written == 1024
    assert room.disk.content() == edited
    assert room.ledger.oldest_written(K07).on == room.clock.now().date()


def test_the_finding_of_a_whole_drive_closes_when_the_right_drive_returns() -> None:
    """Another dock, and the drive reads as it should."""
    for act in (Room.fixity, Room.refresh):
        room = fork(base_room(LONG))
        damaged(room, 0, LONG.size)
        assert [one.span for one in act(room).findings] == [Span(0, LONG.size)]
        damaged(room, 0, LONG.size)  # undone

        report = ended(room, act)

        assert (report.stopped_by, report.findings) == (None, ())
        assert room.ledger.findings() == ()


@pytest.mark.parametrize("act", [Room.fixity, Room.refresh], ids=["fixity", "refresh"])
def test_a_sector_that_can_be_read_again_closes_its_finding(act: object) -> None:
    """A finding stands as long as its reason."""
    run = Room.fixity if act is Room.fixity else Room.refresh
    room = fork(base_room(LONG))
    room.disk.bad.add(9)
    assert [one.span for one in run(room).findings] == [Span(4608, 512)]
    room.disk.bad.clear()

    assert run(room).findings == ()
    assert room.ledger.findings() == ()


def test_a_chunk_recorded_late_is_rewritten_only_in_a_later_pass() -> None:
    """R5: it must first match in a second, separate reading."""
    room = Room(LONG)
    room.disk.bad.add(9)
    room.accession()
    room.years_pass()
    assert room.ledger.digests(K07, 4, 1) == NO_DIGEST
    room.disk.bad.clear()
    room.disk.log.clear()

    first = room.refresh()
    written_first = {start // 1024 for start in writes_of(room.disk)}
    room.disk.log.clear()
    second = room.refresh()

    assert first.stopped_by is None
    assert 4 not in written_first
    assert room.ledger.digests(K07, 4, 1) == digest(room.truth[4096:5120])
    assert {start // 1024 for start in writes_of(room.disk)} == {4}
    assert (second.outcome, second.bytes_written) == (Outcome.SUCCESS, 1024)


def test_unreadable_neighbours_are_one_finding_across_chunks_and_checkpoints() -> None:
    """A run of bad sectors is one thing that is wrong, wherever the pass wrote its checkpoints."""
    plan = Plan(chunk=512, chunks=1040, segment_chunks=8, short_by=0, lag=8192)
    base = taken_in(plan)
    edges = {255, 256, 257, 511, 512, 513, 7, 8}
    wanted = [Span(7 * 512, 1024), Span(255 * 512, 1536), Span(511 * 512, 1536)]
    for act in (Room.fixity, Room.refresh):
        room = fork(base)
        room.disk.bad.update(edges)
        assert [one.span for one in act(room).findings] == wanted
    new = Room(plan)
    new.disk.bad.update(edges)
    assert [one.span for one in new.accession().findings] == wanted


def test_what_was_put_back_is_in_the_journal() -> None:
    """A successor can see what was written, where and why."""
    room = pulled()
    chunk = in_doubt(room)[0]
    room.disk.bad.add(chunk * 2)

    ended(room)

    mended = [one.event for one in room.ledger.entries if isinstance(one.event, RangeMended)]
    assert [(one.start_byte, one.length_bytes, one.how) for one in mended] == [
        (chunk * 1024, 1024, PUT_BACK)
    ]
    assert any(op is Op.WRITE and start == chunk * 1024 for op, start, _ in room.disk.log)
