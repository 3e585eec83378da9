"""Settle what an interrupted refresh left in doubt, before anything else is written.

A power cut can leave the sector being written unreadable; it cannot mix contents, since old
and new bytes are the same. So:

- a chunk in doubt that reads and matches is in order;
- one that does not may have been changed on purpose. Two things speak against that: the drive
  never left (same boot and same disk sequence number), and every other chunk of it still
  matches its record, which covers whatever holds partition tables, superblocks and journals
  of file systems without having to know them all;
- a chunk that holds what was staged but for unreadable sectors is put back on either proof;
- one that can be read and differs was not made so by a cut. It is put back only on both: a
  drive may have been mounted on this very machine between two visits, and on a drive that was
  elsewhere it may be the superblock itself that was changed;
- without that proof nothing is written, not even over the unreadable. The staged bytes are
  moved out of the ring and kept, and a finding asks.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from refreshd.cards import Presence
from refreshd.errors import StagingFailedError
from refreshd.passes.reading import Reading
from refreshd.passes.ring import Header, StagedSegment, StagingRing, Survey
from refreshd.passes.visit import Visit
from refreshd.passes.writing import SegmentWriter
from refreshd.quantities import Span

PUT_BACK = "put back from staging after an interruption"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A chunk that an interrupted pass may have been writing, and that is not in order."""

    reading: Reading
    copies: tuple[StagedSegment, ...]


def recover(visit: Visit, ring: StagingRing, writer: SegmentWriter) -> None:
    """Put back or set aside what the last interruption damaged; write nothing if nothing was."""
    survey = visit.bench.lanes.aside(ring.survey)()
    staged = _staged_in_doubt(visit, survey)
    if survey.unreadable:
        _search_blind_slots(visit, ring, survey.unreadable, staged)
    if not staged:
        return
    writer.flush_leftovers()
    doubts = _doubts(visit, staged)
    if not doubts:
        return
    if _is_unedited(visit, ring, doubts):
        ring.make_durable()
        _put_back(visit, writer, doubts)
    else:
        _set_aside(visit, writer, doubts)


def _staged_in_doubt(visit: Visit, survey: Survey) -> dict[int, list[StagedSegment]]:
    """Return, by chunk, the slots of this pass that hold it and are not checkpointed."""
    found: dict[int, list[StagedSegment]] = {}
    for slot, header in survey.held:
        if header.pass_id != visit.pass_id or not _fits(visit, header):
            continue
        for chunk in header.chunks:
            if chunk >= visit.state.next_chunk:
                found.setdefault(chunk, []).append(StagedSegment(slot, header))
    return found


def _search_blind_slots(
    visit: Visit,
    ring: StagingRing,
    slots: tuple[int, ...],
    staged: dict[int, list[StagedSegment]],
) -> None:
    """Add copies that are known by their content alone, since their slot's header is unreadable.

    Most often such a slot was being written when the power failed, and holds nothing yet. Raises
    StagingFailedError where nobody can say, rather than write over the only copy of a chunk.
    """
    left_out = staged.keys() | _known_damage(visit)
    rest = range(visit.state.next_chunk, visit.card.grid.count)
    chunks = [chunk for chunk in rest if chunk not in left_out]
    for reading in visit.bench.lanes.each(visit.reader.read, chunks):
        if reading.digest is None:
            search = partial(_copies_by_content, visit, ring, slots, reading)
            copies = visit.bench.lanes.aside(search)()
            if copies:
                staged[reading.chunk] = copies


def _copies_by_content(
    visit: Visit, ring: StagingRing, slots: tuple[int, ...], reading: Reading
) -> list[StagedSegment]:
    chunk = reading.chunk
    recorded = visit.digests(chunk, 1)[0]
    found = []
    for slot in slots:
        for place in range(visit.state.segment_chunks):
            header = Header(visit.pass_id, chunk - place, (chunk,), (recorded,), Presence())
            try:
                if ring.load(slot, header.first_chunk, chunk, recorded) is not None:
                    found.append(StagedSegment(slot, header))
            except StagingFailedError as err:
                raise _lost_sight(visit, reading, err) from err
    return found


def _lost_sight(visit: Visit, reading: Reading, err: StagingFailedError) -> StagingFailedError:
    """Enter the damage as a finding, which gives the copy up at the next run, and say so."""
    start = visit.card.grid.span(reading.chunk).start
    if reading.digest is None:
        visit.book.unreadable(reading.unreadable)
    else:
        visit.book.mismatch(reading.chunk, reading.digest)
    return StagingFailedError(
        f"{err}: the chunk at byte {start} of {visit.number} is damaged, and its staged copy may "
        "lie where the server's disk cannot be read; nothing was written over it yet. See to that "
        "disk before the next run, which gives the copy up"
    )


def _good_copy(visit: Visit, writer: SegmentWriter, doubt: Doubt) -> StagedSegment | None:
    """Return a staged copy that matches its record. None: the damage will be a finding.

    Raises StagingFailedError while a copy that cannot be read may be the only one.
    """
    chunk = doubt.reading.chunk
    failure: StagingFailedError | None = None
    for copy in doubt.copies:
        try:
            if writer.is_good(copy, chunk):
                return copy
        except StagingFailedError as err:
            failure = err
    if failure is not None and chunk not in _known_damage(visit):
        raise _lost_sight(visit, doubt.reading, failure) from failure
    return None


def _fits(visit: Visit, header: Header) -> bool:
    return all(0 <= chunk < visit.card.grid.count for chunk in header.chunks)


def _doubts(visit: Visit, staged: dict[int, list[StagedSegment]]) -> list[Doubt]:
    doubts = []
    for reading in visit.bench.lanes.each(visit.reader.read, sorted(staged)):
        recorded = visit.digests(reading.chunk, 1)[0]
        copies = tuple(
            one for one in staged[reading.chunk] if one.digest_of(reading.chunk) == recorded
        )
        if reading.digest != recorded and copies:
            doubts.append(Doubt(reading, copies))
    return doubts


def _is_unedited(visit: Visit, ring: StagingRing, doubts: list[Doubt]) -> bool:
    """Say whether all that differs provably is our own interruption's doing."""
    is_same_stay = all(
        visit.presence.is_same_stay(copy.header.presence)
        for doubt in doubts
        for copy in doubt.copies
    )
    is_all_unreadable = all(_is_only_unreadable(visit, ring, doubt) for doubt in doubts)
    if is_same_stay and is_all_unreadable:
        return True
    if not (is_same_stay or is_all_unreadable):
        return False  # what differs may be the very superblock that an edit elsewhere changed
    visit.say(
        "The drive may have been elsewhere, or changed here, since the interruption: all of it "
        "is read before anything is put back."
    )
    left_out = {doubt.reading.chunk for doubt in doubts} | _known_damage(visit)
    others = [chunk for chunk in range(visit.card.grid.count) if chunk not in left_out]
    if not others:
        return False
    return all(
        reading.digest == visit.digests(reading.chunk, 1)[0]
        for reading in visit.bench.lanes.each(visit.reader.read, others)
    )


def _is_only_unreadable(visit: Visit, ring: StagingRing, doubt: Doubt) -> bool:
    """Say whether a chunk in doubt holds what was staged, but for sectors that cannot be read.

    A chunk without a good copy is not put back, so it has no say.
    """
    if doubt.reading.digest is not None:
        return False
    chunk, span = doubt.reading.chunk, visit.card.grid.span(doubt.reading.chunk)

    def compare() -> bool:
        on_drive = visit.bench.lanes.scratch(visit.card.grid.chunk_bytes)
        unreadable = visit.reader.read_into(chunk, on_drive).unreadable
        staged = ring.load_any(doubt.copies, chunk)
        at = 0
        for bad in (*unreadable, Span(span.end, 1)):
            end = bad.start - span.start
            if staged is not None and on_drive[at:end] != staged[at:end]:
                return False
            at = bad.end - span.start
        return True

    return visit.bench.lanes.aside(compare)()


def _known_damage(visit: Visit) -> set[int]:
    """Return the chunks with an open finding: they differed before, and prove nothing now."""
    grid = visit.card.grid
    return {
        chunk
        for finding in visit.bench.ledger.findings(visit.number)
        if finding.span.length < grid.size_bytes
        for chunk in grid.chunks_of(finding.span)
    }


def _put_back(visit: Visit, writer: SegmentWriter, doubts: list[Doubt]) -> None:
    for doubt in doubts:
        chunk = doubt.reading.chunk
        copy = _good_copy(visit, writer, doubt)
        if copy is None:
            continue  # the pass meets the damage in its turn, as a finding
        writer.write_again(copy, [chunk])
        span = visit.card.grid.span(chunk)
        visit.book.close_touching(span, PUT_BACK)
        visit.mend(span, PUT_BACK)
        visit.say(f"The chunk at byte {span.start} was {PUT_BACK}.")


def _set_aside(visit: Visit, writer: SegmentWriter, doubts: list[Doubt]) -> None:
    for doubt in doubts:
        chunk = doubt.reading.chunk
        span = visit.card.grid.span(chunk)
        copy = _good_copy(visit, writer, doubt)
        if copy is None:
            continue
        path = writer.keep_aside(copy, chunk)
        if path is None:
            continue  # it went bad since it was looked at: the damage will be a finding
        note = f"an interrupted pass had staged other bytes, which are kept in {path}"
        if doubt.reading.digest is None:
            visit.book.unreadable(doubt.reading.unreadable)
            visit.book.settle(note)
        else:
            visit.book.mismatch(chunk, doubt.reading.digest, note)
        visit.say(
            f"The chunk at byte {span.start} is not as the interrupted pass left it, and the "
            f"drive may have been elsewhere: nothing was written, the staged bytes are in {path}."
        )
