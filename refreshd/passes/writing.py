"""Write sealed segments to the drive, whole and flushed; once more from staging if that fails."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from refreshd.errors import (
    FlushFailedError,
    PathDoubtedError,
    StagingFailedError,
    WriteFailedError,
)
from refreshd.events import DriveHeld, StagedBytesKept
from refreshd.fixity import digest
from refreshd.passes.ring import StagedSegment, StagingRing
from refreshd.passes.visit import Visit


class SegmentWriter:
    """The only code of a pass that writes to the drive. It asks for a `StagedSegment` (I1)."""

    def __init__(self, visit: Visit, ring: StagingRing) -> None:
        self._visit = visit
        self._ring = ring

    def write(self, staged: StagedSegment, buffer: memoryview) -> str | None:
        """Write a segment from `buffer`, where its first chunk lies at 0, and flush.

        Returns how it had to be mended, or None. A failed flush is never retried: all since
        the last good one is in doubt, that is, this segment, so it is written again from
        staging. When that fails, too, the drive goes on hold and the error is raised.
        """
        grid = self._visit.card.grid
        first = staged.header.first_chunk

        def write_one(chunk: int) -> None:
            place = (chunk - first) * grid.chunk_bytes
            data = buffer[place : place + grid.span(chunk).length]
            # Memory that flips a bit after the verification must not reach the drive (I2).
            if digest(data) != staged.digest_of(chunk):
                raise PathDoubtedError(
                    f"chunk {chunk} changed in this server's memory after it was verified; "
                    "nothing more is written in this visit. Test the server's memory"
                )
            self._write_chunk(chunk, data)

        self._open()
        try:
            self._write_all(write_one, staged.header.chunks)
        except (WriteFailedError, FlushFailedError) as err:
            self._visit.say(f"{err}. The segment is written once more from its staged copy.")
            self.write_again(staged, staged.header.chunks)
            return "written again after a failed write or flush"
        return None

    def write_again(self, staged: StagedSegment, chunks: Sequence[int]) -> None:
        """Write chunks from their staged copies and flush; a failure puts the drive on hold."""

        def write_one(chunk: int) -> None:
            data = self._ring.load(
                staged.slot, staged.header.first_chunk, chunk, staged.digest_of(chunk)
            )
            if data is None:
                raise StagingFailedError(
                    f"the staged copy of chunk {chunk} went bad before it was needed"
                )
            self._write_chunk(chunk, data)

        self._open()
        try:
            self._write_all(write_one, chunks)
        except (WriteFailedError, FlushFailedError) as err:
            self.hold(f"writing failed twice: {err}")
            raise

    def flush_leftovers(self) -> None:
        """Flush what a killed process may have left in the drive's own cache.

        Until then the drive answers readings from there, and a slot that is used again would
        take the only durable copy of those bytes with it at the next power cut (I1).
        """
        self._open()
        try:
            self._flush()
        except FlushFailedError as err:
            self.hold(f"what an interrupted pass wrote could not be flushed: {err}")
            raise

    def hold(self, reason: str) -> None:
        """Put the drive on hold."""
        self._visit.bench.ledger.record(DriveHeld(drive=self._visit.number, reason=reason))
        self._visit.say(f"{self._visit.number} is on hold: {reason}.")

    def is_good(self, staged: StagedSegment, chunk: int) -> bool:
        """Say whether a staged copy matches its recorded digest; StagingFailedError: unknown."""
        load = partial(
            self._ring.load, staged.slot, staged.header.first_chunk, chunk, staged.digest_of(chunk)
        )
        return self._visit.bench.lanes.aside(load)() is not None

    def keep_aside(self, staged: StagedSegment, chunk: int) -> str | None:
        """Move a staged chunk out of the ring, durably, and write that down.

        Returns its path, None if the copy is bad.
        """
        path = self._visit.bench.lanes.aside(partial(self._kept, staged, chunk))()
        if path is not None:
            span = self._visit.card.grid.span(chunk)
            self._visit.bench.ledger.record(
                StagedBytesKept(
                    drive=self._visit.number,
                    pass_id=self._visit.pass_id,
                    start_byte=span.start,
                    length_bytes=span.length,
                    file=path,
                )
            )
        return path

    def _kept(self, staged: StagedSegment, chunk: int) -> str | None:
        data = self._ring.load(
            staged.slot, staged.header.first_chunk, chunk, staged.digest_of(chunk)
        )
        if data is None:
            return None
        start = self._visit.card.grid.span(chunk).start
        name = f"{self._visit.pass_id.replace('/', '-')}-byte-{start}.bin"
        return self._ring.keep_aside(name, data)

    def _open(self) -> None:
        self._visit.bench.lanes.aside(self._visit.metered.open_for_writing)()

    def _flush(self) -> None:
        self._visit.bench.lanes.aside(self._visit.metered.flush)()

    def _write_all(self, write_one: Callable[[int], None], chunks: Sequence[int]) -> None:
        for _ in self._visit.bench.lanes.each(write_one, chunks):
            pass
        self._flush()

    def _write_chunk(self, chunk: int, data: memoryview) -> None:
        span = self._visit.card.grid.span(chunk)
        for part in self._visit.metered.data_spans(span):
            at = part.start - span.start
            self._visit.metered.write(part.start, data[at : at + part.length])
