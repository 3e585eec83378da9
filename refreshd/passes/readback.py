"""Read rewritten chunks back from the medium, after the lag, and settle those that differ."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from refreshd.errors import NotHeldError
from refreshd.events import DriveRewritten, FixityChecked
from refreshd.passes.checkpoints import Checkpoints
from refreshd.passes.ring import StagedSegment, StagingRing
from refreshd.passes.visit import Visit
from refreshd.passes.writing import SegmentWriter
from refreshd.quantities import runs

AGAIN = "written again from staging, after its read-back differed"


@dataclass(frozen=True, slots=True)
class Awaiting:
    """Chunks of one segment that were written when traffic stood at `mark`."""

    staged: StagedSegment
    chunks: Sequence[int]
    mark: int
    written_on: date
    mended: str | None = None  # how they had to be written again, if they had to


class ReadBack:
    """The queue of written segments; nothing in it counts as refreshed yet (I3)."""

    def __init__(
        self, visit: Visit, ring: StagingRing, writer: SegmentWriter, checkpoints: Checkpoints
    ) -> None:
        self._visit = visit
        self._ring = ring
        self._writer = writer
        self._checkpoints = checkpoints
        self._queue: deque[Awaiting] = deque()
        self._bytes_proved = 0
        self._chunks_proved = 0

    def await_proof(self, staged: StagedSegment, written_on: date, mended: str | None) -> None:
        """Take a segment that was just written and flushed."""
        mark = self._visit.metered.traffic
        self._queue.append(Awaiting(staged, staged.header.chunks, mark, written_on, mended))

    def collect(self) -> None:
        """Read back what the lag has been met for; record a checkpoint if one is due."""
        metered = self._visit.metered
        while self._queue and metered.traffic >= self._queue[0].mark + metered.lag_bytes:
            self._prove(self._queue.popleft())
        self._checkpoints.record_if_due()

    def make_room(self) -> None:
        """See to it that a slot is free, reading elsewhere for the lag if it must be."""
        if not self._checkpoints.has_free_slot:
            self._checkpoints.record()
        while not self._checkpoints.has_free_slot:
            self._prove(self._queue.popleft())
            self._checkpoints.record()

    def drain(self) -> None:
        """Prove all that was written, reading other parts until the lag is met."""
        while self._queue:
            self._prove(self._queue.popleft())

    def summarise(self) -> None:
        """Write down the rewrite between its two fixity checks."""
        visit = self._visit
        segment_bytes = visit.state.segment_chunks * visit.card.chunk_bytes
        state = visit.bench.ledger.unfinished_pass(visit.number, visit.state.kind)
        # Of the whole pass, visits before an interruption included.
        rewritten = self._bytes_proved if state is None else state.rewritten_bytes
        if not rewritten:
            visit.fixity_checked("whole", "direct reading, differing chunks twice")
            return
        visit.fixity_checked("before rewrite", "direct reading, differing chunks twice")
        visit.bench.ledger.record(
            DriveRewritten(
                drive=visit.number,
                outcome=visit.outcome(),
                pass_id=visit.pass_id,
                bytes_rewritten=rewritten,
                bytes_skipped=visit.counts.bytes_skipped,
            )
        )
        visit.bench.ledger.record(
            FixityChecked(
                drive=visit.number,
                pass_id=visit.pass_id,
                moment="after rewrite",
                method=visit.metered.readback_method(segment_bytes),
                bytes_checked=self._bytes_proved,
                chunks_matched=self._chunks_proved,
                chunks_differing=0,
                chunks_unreadable=0,
            )
        )

    def _prove(self, waiting: Awaiting) -> None:
        visit = self._visit
        visit.elsewhere.outlast(waiting.mark, self._checkpoints.busy_chunks() | set(waiting.chunks))
        differing = []
        for reading in visit.bench.lanes.each(visit.reader.read, waiting.chunks):
            if reading.digest == waiting.staged.digest_of(reading.chunk):
                self._enter(waiting, reading.chunk)
            else:
                differing.append(reading.chunk)
        if waiting.mended is not None:
            self._mended(waiting, [chunk for chunk in waiting.chunks if chunk not in differing])
        if differing:
            self._settle(waiting, differing)

    def _enter(self, waiting: Awaiting, chunk: int) -> None:
        first = waiting.staged.header.first_chunk
        self._checkpoints.proved(first, chunk, waiting.written_on)
        self._bytes_proved += self._visit.card.grid.span(chunk).length
        self._chunks_proved += 1

    def _settle(self, waiting: Awaiting, differing: list[int]) -> None:
        """Write differing chunks again, once; a second time they put the drive on hold."""
        if waiting.mended == AGAIN:
            self._give_up(waiting, differing)
        visit = self._visit
        visit.say(
            f"{len(differing)} chunks from byte {visit.card.grid.span(differing[0]).start} on "
            "did not read back as written; they are written again from their staged copies."
        )
        written_on = visit.today()
        self._writer.write_again(waiting.staged, differing)
        self._queue.append(
            Awaiting(waiting.staged, differing, visit.metered.traffic, written_on, AGAIN)
        )

    def _give_up(self, waiting: Awaiting, differing: list[int]) -> None:
        """Keep the staged bytes, put the drive on hold, and end the pass."""
        visit = self._visit
        for chunk in differing:
            path = self._writer.keep_aside(waiting.staged, chunk)
            if path is not None:
                start = visit.card.grid.span(chunk).start
                visit.say(f"The right bytes for byte {start} on are kept in {path}.")
        reason = "it does not keep what is written to it"
        self._writer.hold(reason)
        raise NotHeldError(
            f"{visit.metered.place}: {len(differing)} chunks were written twice from verified "
            f"copies and read back differently; {visit.number} is on hold. Replace this drive"
        )

    def _mended(self, waiting: Awaiting, proved: list[int]) -> None:
        visit = self._visit
        for first, count in runs(proved):
            span = visit.card.grid.run(first, first + count)
            visit.mend(span, str(waiting.mended))
