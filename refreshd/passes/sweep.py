"""A sweep: read neighbouring chunks in order, weigh each against its record, write nothing."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from refreshd.errors import PassStoppedError
from refreshd.passes.reading import Reading
from refreshd.passes.visit import Suspect, Visit
from refreshd.quantities import Digest

LOOKUP_CHUNKS = 256
"""Digests fetched from the catalogue at a time."""


class Sweep:
    """Reads from `first` to the end of the drive.

    A chunk that differs waits for its second reading until so much else has gone over the
    drive that no cache can repeat the first answer; that costs nothing on the way, and one
    lag at the end.
    """

    def __init__(self, visit: Visit, first: int) -> None:
        self._visit = visit
        self._first = first
        self._waiting: deque[tuple[Suspect, int]] = deque()
        self.is_path_doubted = False

    def chunks_done(self) -> Iterator[int]:
        """Read, weigh, and yield the first chunk not yet read, after each chunk."""
        count = self._visit.card.grid.count
        for reading, recorded in self._readings():
            self._weigh(reading, recorded)
            self._settle_due()
            if reading.chunk + 1 == count:
                self.settle_all()
            yield reading.chunk + 1

    def settled_before(self, done: int) -> int:
        """Return the chunk before which all is settled; those waiting hold it back."""
        return min([done, *(suspect.chunk for suspect, _ in self._waiting)])

    def settle_all(self) -> None:
        """Read again whatever still waits, after reading elsewhere if need be."""
        if not self._waiting:
            return
        mark = self._waiting[-1][1]
        suspects = [suspect for suspect, _ in self._waiting]
        self._waiting.clear()
        for suspect in self._visit.read_again(suspects, mark):
            self.is_path_doubted |= self._visit.settle(suspect)

    def _settle_due(self) -> None:
        metered = self._visit.metered
        while self._waiting and metered.traffic >= self._waiting[0][1] + metered.lag_bytes:
            suspect, mark = self._waiting.popleft()
            for again in self._visit.read_again([suspect], mark):
                self.is_path_doubted |= self._visit.settle(again)

    def _readings(self) -> Iterator[tuple[Reading, Digest]]:
        """Yield each reading with its recorded digest; reading runs ahead of the caller."""
        visit = self._visit
        recorded: deque[Digest] = deque()

        def chunks() -> Iterator[int]:
            for start in range(self._first, visit.card.grid.count, LOOKUP_CHUNKS):
                length = min(LOOKUP_CHUNKS, visit.card.grid.count - start)
                recorded.extend(visit.digests(start, length))
                yield from range(start, start + length)

        for reading in visit.bench.lanes.each(visit.reader.read, chunks()):
            yield reading, recorded.popleft()

    def _weigh(self, reading: Reading, recorded: Digest) -> None:
        self._visit.note_reading(reading)
        suspect = self._visit.weigh(reading, recorded)
        if suspect is not None:
            self._waiting.append((suspect, self._visit.metered.traffic))


def read_once_more(visit: Visit) -> bool:
    """Sweep the whole drive at the end of a refresh; return whether the path is in doubt.

    The only thing that catches a write that landed in the wrong place.
    """
    sweep = Sweep(visit, 0)
    for done in sweep.chunks_done():
        if done < visit.card.grid.count and visit.bench.attendant.wants_stop():
            raise PassStoppedError(
                "stopped as asked in the closing reading; all is rewritten and proved, the "
                "closing reading begins anew when the pass is run again"
            )
        visit.moved(visit.card.grid.run(0, done).length, "closing reading")
    visit.book.settle()
    return sweep.is_path_doubted
