"""The rate along the drive, by stretches, and single places that answer slowly."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from refreshd.ports import Clock
from refreshd.proving_cards import RatePlace
from refreshd.quantities import Span

STRETCHES = 256
STRETCH_CHUNKS_MIN = 16
"""A stretch is longer than what is read ahead, or its rate would say nothing: the last one of a
drive takes up what is left over, and one that a resumed run cuts short is not told."""

SLOW_SHARE = 0.6
"""A stretch below this part of its neighbours' median is slow. Chosen, no source: the rate of a
rotating disk falls by half from the rim to the hub, evenly, and by a few per cent a zone."""

SLOW_STRETCH_S = 2.0
"""A stretch that is through sooner says more of this server than of the drive. Chosen."""

NEIGHBOURS = 8
NEIGHBOURS_MIN = 3

SLOW_REQUEST_S = 2.0
"""A drive that retries a weak sector takes seconds for it (common practice, no source)."""

SLOW_REQUEST_TIMES = 8
SLOW_REQUESTS_KEPT = 100
_REQUESTS_REMEMBERED = 64


class RateMeter:
    """
    Measures the rate of one run over the drive, from byte `start` on.

    Args:
        clock: For durations.
        size_bytes: Of the drive.
        chunk_bytes: Stretches are whole chunks.
        start: Where the run begins.
        kept: How many slow places were found in earlier runs.

    """

    def __init__(
        self, clock: Clock, size_bytes: int, chunk_bytes: int, start: int, kept: int = 0
    ) -> None:
        self._clock = clock
        self._size = size_bytes
        chunks = max(STRETCH_CHUNKS_MIN, -(-size_bytes // chunk_bytes) // STRETCHES + 1)
        self._stretch = chunks * chunk_bytes
        self._least = min(STRETCH_CHUNKS_MIN * chunk_bytes, size_bytes)
        self._from, self._since_s = start, clock.elapsed_s()
        self._is_spoilt = False
        self._usual: deque[float] = deque(maxlen=_REQUESTS_REMEMBERED)
        self._kept = kept
        self._found: list[RatePlace] = []

    def moved(self, done: int) -> None:
        """Everything before byte `done` is through."""
        if done < self._size and (done % self._stretch or self._size - done < self._least):
            return
        now = self._clock.elapsed_s()
        length, took = done - self._from, now - self._since_s
        if length >= self._least and took > 0 and not self._is_spoilt:
            self._found.append(RatePlace(self._from, length, int(length / took)))
        self._from, self._since_s, self._is_spoilt = done, now, False

    def rested(self) -> None:
        """The proving rested or did something else: this stretch says nothing about the drive."""
        self._is_spoilt = True

    def answered(self, span: Span, took_s: float) -> None:
        """One request took so long."""
        usual = median(self._usual) if self._usual else took_s
        is_slow = took_s >= SLOW_REQUEST_S and took_s >= SLOW_REQUEST_TIMES * usual
        if is_slow and self._kept < SLOW_REQUESTS_KEPT:
            self._kept += 1
            rate = int(span.length / took_s)
            self._found.append(RatePlace(span.start, span.length, rate, is_slow=True))
        if not is_slow:
            self._usual.append(took_s)

    def take(self) -> tuple[RatePlace, ...]:
        """Return what was measured since the last time."""
        found, self._found = tuple(self._found), []
        return found


def judged(rates: Sequence[RatePlace]) -> tuple[RatePlace, ...]:
    """Return the rates in order of place, the slow stretches marked against their neighbours."""
    stretches = sorted((one for one in rates if not one.is_slow), key=lambda one: one.start)
    slow = [one for one in rates if one.is_slow]
    marked = [
        replace(one, is_slow=_is_slow(one, _around(stretches, at)))
        for at, one in enumerate(stretches)
    ]
    return tuple(sorted([*marked, *slow], key=lambda one: (one.start, one.length)))


def _around(stretches: Sequence[RatePlace], at: int) -> list[int]:
    near = [*stretches[max(0, at - NEIGHBOURS) : at], *stretches[at + 1 : at + 1 + NEIGHBOURS]]
    return [one.rate_bytes_per_s for one in near]


def _is_slow(one: RatePlace, around: Sequence[int]) -> bool:
    took_s = one.length / max(1, one.rate_bytes_per_s)
    if len(around) < NEIGHBOURS_MIN or took_s < SLOW_STRETCH_S:
        return False
    return one.rate_bytes_per_s < SLOW_SHARE * median(around)
