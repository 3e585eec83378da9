"""Refresh pass: read, verify, stage, rewrite in place, read back, segment by segment.

One turn per segment, and one direction at a time on the drive:

    state       what is true                                   leaves by
    read        every chunk read; those that match are staged  `_read_segment`
    settled     differing chunks were read a second time       `_settle_differing`
    staged      the copies are flushed, read back, compared    `StagingRing.seal`
    written     rewritten and flushed; copies still in place   `SegmentWriter.write`
    proved      read back after the lag, from the medium       `ReadBack.collect`
    checkpoint  journal and catalogue say so; slot is free     `Checkpoints.record`

R1  Only a chunk that matched its recorded digest in this visit is staged, and only a staged
    and sealed chunk is written (I1, I2): the writer takes a `StagedSegment`, nothing else.
R2  A chunk that differs is read twice before it counts; if the second reading matches, the
    path is in doubt and nothing more is written.
R3  A chunk counts as rewritten only when its read-back matched (I3); its date is the day on
    which its write began (I4).
R4  A slot is reused only after the checkpoint that covers it (S1).
R5  No digest is ever recorded here for a chunk that is then written: first readings never
    count as proof.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

from refreshd.errors import (
    DriveError,
    InvariantBrokenError,
    PassStoppedError,
    RecordFailedError,
)
from refreshd.events import PassInterrupted
from refreshd.passes.bench import Bench, PassOptions, PassReport
from refreshd.passes.checkpoints import Checkpoints
from refreshd.passes.opening import (
    guarded,
    open_visit,
    refuse_held,
    refuse_unless_taken_in,
)
from refreshd.passes.readback import ReadBack
from refreshd.passes.reading import Reading
from refreshd.passes.recovery import recover
from refreshd.passes.ring import Header, StagingRing
from refreshd.passes.sampling import sample_differs
from refreshd.passes.sweep import read_once_more
from refreshd.passes.visit import ANOTHER_CONTENT, Counts, Visit, is_recorded, path_doubted
from refreshd.passes.writing import SegmentWriter
from refreshd.quantities import Digest, DriveNumber, Outcome, PassKind
from refreshd.register import HOLE, NEVER


def run_refresh(bench: Bench, number: DriveNumber, options: PassOptions) -> PassReport:
    """Refresh a whole drive in place; take up an interrupted pass where it stood.

    Raises DriveHeldError before anything is touched when the drive is on hold or was not
    taken in completely; any error of the world later on is in the report.
    """
    card = bench.ledger.drive(number)
    refuse_unless_taken_in(card)
    refuse_held(card)
    visit = open_visit(bench, number, PassKind.REFRESH, options)
    return guarded(visit, lambda: RefreshPass(visit).run())


@dataclass(frozen=True, slots=True)
class Segment:
    """Neighbouring chunks that go through one turn together, with what the register says."""

    first: int
    count: int
    recorded: tuple[Digest, ...]
    days: tuple[int, ...]
    holes: frozenset[int]

    @property
    def end(self) -> int:
        """First chunk after the segment."""
        return self.first + self.count

    @property
    def chunks(self) -> range:
        """Chunk numbers."""
        return range(self.first, self.end)

    def digest_of(self, chunk: int) -> Digest:
        """Return the recorded digest."""
        return self.recorded[chunk - self.first]


class RefreshPass:
    """One run over the drive; wires the steps together and decides nothing else."""

    def __init__(self, visit: Visit) -> None:
        staging = visit.bench.staging
        if staging is None:
            raise InvariantBrokenError("a refresh pass has staging (I1)")
        self._visit = visit
        self._ring = StagingRing(
            staging, visit.card.grid, visit.state.segment_chunks, visit.bench.lanes
        )
        self._checkpoints = Checkpoints(visit, self._ring.slot_count)
        self._writer = SegmentWriter(visit, self._ring)
        self._readback = ReadBack(visit, self._ring, self._writer, self._checkpoints)

    def run(self) -> PassReport:
        """Go on from the last checkpoint to the end of the drive."""
        try:
            return self._run()
        except DriveError as err:
            if not isinstance(err, RecordFailedError):
                self._checkpoints.record()  # what is proved already need not be done again
            raise

    def _run(self) -> PassReport:
        visit = self._visit
        if sample_differs(visit):
            return self._leave_alone()
        recover(visit, self._ring, self._writer)
        if visit.book.whole_drive is not None:
            visit.book.close(visit.book.whole_drive, "a sample of the drive matches again")
        count = visit.card.grid.count
        first = visit.state.next_chunk
        for start in range(first, count, visit.state.segment_chunks):
            self._stop_if_asked()
            segment = self._segment(start, min(visit.state.segment_chunks, count - start))
            self._turn(segment)
            if visit.differs_too_much(segment.end - first):
                self._readback.drain()
                return self._give_up()
            visit.moved(visit.card.grid.run(0, segment.end).length, "rewriting")
        return self._finish()

    def _segment(self, first: int, count: int) -> Segment:
        visit = self._visit
        grid, metered = visit.card.grid, visit.metered
        chunks = range(first, first + count)
        return Segment(
            first,
            count,
            tuple(visit.digests(first, count)),
            tuple(visit.bench.ledger.written_days(visit.number, first, count)),
            frozenset(chunk for chunk in chunks if not metered.data_spans(grid.span(chunk))),
        )

    def _turn(self, segment: Segment) -> None:
        """Take one segment from read to written; others are read back in the meantime."""
        self._readback.make_room()
        slot = self._checkpoints.take_slot()
        readings = self._read_segment(segment, slot)
        self._settle_differing(segment, readings, self._visit.metered.traffic)
        wanted = [reading.chunk for reading in readings if self._is_wanted(segment, reading)]
        self._skip(segment, wanted)
        if wanted:
            self._rewrite(segment, slot, wanted)
        else:
            self._checkpoints.nothing_to_write(segment.first, segment.end, segment.holes)

    def _rewrite(self, segment: Segment, slot: int, wanted: list[int]) -> None:
        """Seal the staged copies, then write them; older segments are read back meanwhile."""
        header = Header(
            pass_id=self._visit.pass_id,
            first_chunk=segment.first,
            chunks=tuple(wanted),
            digests=tuple(segment.digest_of(chunk) for chunk in wanted),
            presence=self._visit.presence,
        )
        sealing = self._visit.bench.lanes.aside(partial(self._ring.seal, slot, header))
        try:
            self._readback.collect()  # the drive works while the server's disk does
        finally:
            staged = sealing()
        written_on = self._visit.today()
        mended = self._writer.write(staged, self._buffer())
        self._checkpoints.written(segment.first, segment.end, segment.holes, header.chunks)
        self._readback.await_proof(staged, written_on, mended)

    def _buffer(self) -> memoryview:
        visit = self._visit
        length = visit.state.segment_chunks * visit.card.chunk_bytes
        return visit.bench.lanes.scratch(length, "segment")

    def _read_segment(self, segment: Segment, slot: int) -> list[Reading]:
        """Read all chunks; stage those that match while the next ones are being read."""
        buffer = self._buffer()
        grid = self._visit.card.grid

        def read_and_stage(chunk: int) -> Reading:
            place = chunk - segment.first
            room = buffer[place * grid.chunk_bytes :]
            reading = self._visit.reader.read_into(chunk, room)
            if self._is_wanted(segment, reading):
                self._ring.stage(slot, place, room[: grid.span(chunk).length])
            return reading

        readings = list(self._visit.bench.lanes.each(read_and_stage, segment.chunks))
        for reading in readings:
            self._visit.note_reading(reading)
        return readings

    def _is_wanted(self, segment: Segment, reading: Reading) -> bool:
        """Say whether a chunk is to be rewritten: it matches, holds something, is old enough."""
        recorded = segment.digest_of(reading.chunk)
        if not is_recorded(recorded) or reading.digest != recorded:
            return False
        if reading.chunk in segment.holes:
            return False
        day = segment.days[reading.chunk - segment.first]
        age_days = self._visit.today().toordinal() - day
        return day in (NEVER, HOLE) or age_days >= self._visit.options.least_age_days

    def _settle_differing(self, segment: Segment, readings: list[Reading], mark: int) -> None:
        """Weigh every reading; differing chunks are read again before anything is written."""
        visit = self._visit
        weighed = [visit.weigh(one, segment.digest_of(one.chunk)) for one in readings]
        suspects = [suspect for suspect in weighed if suspect is not None]
        again = list(visit.read_again(suspects, mark, self._checkpoints.busy_chunks()))
        if any([visit.settle(suspect) for suspect in again]):  # noqa: C419 - settle all of them.
            raise path_doubted()

    def _skip(self, segment: Segment, wanted: list[int]) -> None:
        """Count the bytes of the segment that stay as they are: chunks, and holes in chunks."""
        grid, metered = self._visit.card.grid, self._visit.metered
        rewritten = sum(
            part.length for chunk in wanted for part in metered.data_spans(grid.span(chunk))
        )
        whole = grid.run(segment.first, segment.end).length
        self._visit.counts.bytes_skipped += whole - rewritten

    def _stop_if_asked(self) -> None:
        visit = self._visit
        if not visit.bench.attendant.wants_stop():
            return
        visit.book.settle()
        self._checkpoints.record()
        raise PassStoppedError(
            "stopped as asked; the pass goes on at byte "
            f"{self._checkpoints.next_chunk * visit.card.chunk_bytes} when it is run again"
        )

    def _leave_alone(self) -> PassReport:
        """Stop before anything is written; the pass, and what is staged, wait for the drive."""
        visit = self._visit
        visit.book.suspect_whole_drive(ANOTHER_CONTENT)
        visit.bench.ledger.record(
            PassInterrupted(
                drive=visit.number,
                outcome=Outcome.FAIL,
                pass_id=visit.pass_id,
                reason=f"before any write, {ANOTHER_CONTENT}",
            )
        )
        return visit.report(Outcome.FAIL)

    def _give_up(self) -> PassReport:
        """End the pass: what was rewritten is proved, but the next one begins anew."""
        visit = self._visit
        visit.book.settle()
        self._checkpoints.record()
        visit.book.suspect_whole_drive(ANOTHER_CONTENT)
        visit.fixity_checked("before rewrite", "stopped early")
        return visit.end(reached_end=False, note=ANOTHER_CONTENT)

    def _finish(self) -> PassReport:
        visit = self._visit
        self._readback.drain()
        self._checkpoints.record()
        visit.book.settle()
        self._readback.summarise()
        if visit.state.is_closing or visit.options.is_closing:
            return self._close()
        return visit.end(reached_end=True)

    def _close(self) -> PassReport:
        """Read the whole drive once more, then end the pass."""
        visit = self._visit
        visit.metered.close_for_writing()
        visit.counts = Counts(bytes_skipped=visit.counts.bytes_skipped)
        is_path_doubted = read_once_more(visit)
        visit.fixity_checked("closing", "direct reading, differing chunks twice")
        report = visit.end(reached_end=True)
        return replace(report, stopped_by=path_doubted()) if is_path_doubted else report
