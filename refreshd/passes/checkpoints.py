"""Which segments are settled, which slots are free, and when that is written down."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from refreshd.errors import require
from refreshd.events import ChunksProved, RewriteRun
from refreshd.passes.visit import Visit
from refreshd.quantities import runs


@dataclass
class SegmentState:
    """A segment after its turn. `unproved` chunks are written but not read back yet."""

    end: int
    holes: frozenset[int]
    slot: int | None  # None when nothing of it was written
    unproved: set[int] = field(default_factory=set)
    written_on: dict[int, date] = field(default_factory=dict)


class Checkpoints:
    """Keeps segments in order; a checkpoint covers those settled from the last one on (R4)."""

    def __init__(self, visit: Visit, slot_count: int) -> None:
        require(slot_count > 0, "the staging ring has at least one slot")
        self._visit = visit
        self._free = list(range(slot_count))
        self._segments: dict[int, SegmentState] = {}
        self._next_chunk = visit.state.next_chunk
        self._batch = max(1, slot_count // 2)

    @property
    def has_free_slot(self) -> bool:
        """Say whether another segment can be staged."""
        return bool(self._free)

    @property
    def next_chunk(self) -> int:
        """Return the chunk at which an interrupted pass goes on."""
        return self._next_chunk

    def take_slot(self) -> int:
        """Return a free slot; it is taken once `written` says so."""
        require(bool(self._free), "a slot is free before a segment is staged (R4)")
        return self._free[0]

    def nothing_to_write(self, first: int, end: int, holes: frozenset[int]) -> None:
        """A segment was read and settled, and none of it is to be rewritten."""
        self._segments[first] = SegmentState(end, holes, None)
        if len(self._segments) >= 2 * self._batch:
            self.record()

    def written(self, first: int, end: int, holes: frozenset[int], chunks: tuple[int, ...]) -> None:
        """A segment was written and flushed; its chunks wait for their read-back."""
        slot = self._free.pop(0)
        self._segments[first] = SegmentState(end, holes, slot, set(chunks))

    def proved(self, first: int, chunk: int, written_on: date) -> None:
        """One chunk was read back from the medium and matches."""
        segment = self._segments[first]
        segment.unproved.discard(chunk)
        segment.written_on[chunk] = written_on

    def busy_chunks(self) -> set[int]:
        """Return the chunks written and not yet proved."""
        return {chunk for segment in self._segments.values() for chunk in segment.unproved}

    def record_if_due(self) -> None:
        """Record once half of the ring is proved, so that slots are free in good time."""
        if len(self._settled()) >= self._batch:
            self.record()

    def record(self) -> None:
        """Write down what is settled without a gap, then free its slots."""
        settled = self._settled()
        if not settled:
            return
        self._visit.book.settle()  # findings first: a checkpoint never passes one unwritten
        self._visit.bench.ledger.record(self._event(settled))
        for first in settled:
            segment = self._segments.pop(first)
            self._next_chunk = segment.end
            if segment.slot is not None:
                self._free.append(segment.slot)

    def _settled(self) -> list[int]:
        settled = []
        chunk = self._next_chunk
        while chunk in self._segments and not self._segments[chunk].unproved:
            settled.append(chunk)
            chunk = self._segments[chunk].end
        return settled

    def _event(self, settled: list[int]) -> ChunksProved:
        grid = self._visit.card.grid
        segments = [self._segments[first] for first in settled]
        days: dict[date, list[int]] = {}
        for segment in segments:
            for chunk, day in segment.written_on.items():
                days.setdefault(day, []).append(chunk)
        rewritten = tuple(
            RewriteRun(first_chunk=first, count=count, written_on=day)
            for day, chunks in sorted(days.items())
            for first, count in runs(chunks)
        )
        return ChunksProved(
            drive=self._visit.number,
            pass_id=self._visit.pass_id,
            next_chunk=segments[-1].end,
            rewritten=rewritten,
            holes=runs(chunk for segment in segments for chunk in segment.holes),
            bytes_rewritten=sum(  # holes inside of a chunk were left alone
                part.length
                for run in rewritten
                for part in self._visit.metered.data_spans(
                    grid.run(run.first_chunk, run.first_chunk + run.count)
                )
            ),
        )
