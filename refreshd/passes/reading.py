"""Read chunks, digest them, and narrow what cannot be read down to the sector."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import chain, islice

from refreshd.errors import UnreadableError
from refreshd.fixity import digest
from refreshd.passes.metered import MeteredMedium
from refreshd.ports import Lanes
from refreshd.quantities import KIB, ChunkGrid, Digest, Span, join_spans

LADDER_BYTES = (64 * KIB, 4 * KIB)
"""Piece sizes on the way from a chunk to a sector.

Every failing request costs the drive seconds of retries, so the way down is steep: a lone bad
sector in a 4 MiB chunk is met four times here, against thirteen times by halving.
"""


@dataclass(frozen=True, slots=True)
class Reading:
    """What one reading of one chunk gave. `digest` is None when part of it was unreadable."""

    chunk: int
    digest: Digest | None
    unreadable: tuple[Span, ...] = ()
    needed_retry: bool = False


class ChunkReader:
    """Reads whole chunks of one drive."""

    def __init__(self, metered: MeteredMedium, grid: ChunkGrid, lanes: Lanes) -> None:
        self._metered = metered
        self._grid = grid
        self._lanes = lanes

    def read(self, chunk: int) -> Reading:
        """Read a chunk into this lane's scratch buffer and digest it."""
        return self.read_into(chunk, self._lanes.scratch(self._grid.chunk_bytes))

    def read_into(self, chunk: int, buffer: memoryview) -> Reading:
        """Read a chunk to the start of `buffer` and digest it."""
        span = self._grid.span(chunk)
        into = buffer[: span.length]
        try:
            self._metered.read(span.start, into)
        except UnreadableError:
            bad = self._narrow(span, into)
            if bad:
                return Reading(chunk, None, bad)
            return Reading(chunk, digest(into), needed_retry=True)
        return Reading(chunk, digest(into))

    def _narrow(self, span: Span, into: memoryview) -> tuple[Span, ...]:
        """Read the span in ever smaller pieces; return the sectors that stay unreadable."""
        sector = self._metered.geometry.logical_bytes
        steps = [size for size in LADDER_BYTES if sector < size < span.length]
        bad = [span]
        for size in (*steps, sector):
            bad = [piece for part in bad for piece in self._failing(part, size, span, into)]
        return join_spans(bad)

    def _failing(self, part: Span, size: int, span: Span, into: memoryview) -> list[Span]:
        """Read `part` in pieces of `size` bytes; return the pieces that fail."""
        failing = []
        for start in range(part.start, part.end, size):
            piece = Span(start, min(size, part.end - start))
            offset = piece.start - span.start
            try:
                self._metered.read(piece.start, into[offset : offset + piece.length])
            except UnreadableError:
                failing.append(piece)
        return failing


class Elsewhere:
    """Lets so much other traffic pass over the drive that its cache cannot answer."""

    def __init__(self, metered: MeteredMedium, grid: ChunkGrid, lanes: Lanes) -> None:
        self._metered = metered
        self._grid = grid
        self._lanes = lanes

    def outlast(self, mark: int, busy: Collection[int]) -> None:
        """Read other chunks until the lag has passed since traffic stood at `mark`.

        Args:
            mark: `MeteredMedium.traffic` when the chunks in question last went over the drive.
            busy: Chunks not to touch: reading one would keep it in the drive's cache, and its
                own read-back would then be answered from there.

        On a medium without a cache of its own only this machine's memory is dropped. On one
        smaller than the lag every other chunk is read once, which proves less; the method
        "uncertain" in the journal says so.
        """
        self._metered.drop_cache()
        target = mark + self._metered.lag_bytes
        count = self._grid.count
        start = max(busy, default=0) + 1
        others = (
            chunk
            for chunk in chain(range(start, count), range(min(start, count)))
            if chunk not in busy
        )
        while (missing := target - self._metered.traffic) > 0:
            wanted = tuple(islice(others, -(-missing // self._grid.chunk_bytes)))
            if not wanted:
                return
            for _ in self._lanes.each(self._pass_over, wanted):
                pass  # what cannot be read does not count; more is read in its place

    def _pass_over(self, chunk: int) -> None:
        span = self._grid.span(chunk)
        into = self._lanes.scratch(self._grid.chunk_bytes)[: span.length]
        try:
            self._metered.read(span.start, into)
        except UnreadableError:
            return  # a finding for the pass that reads this chunk to check it
