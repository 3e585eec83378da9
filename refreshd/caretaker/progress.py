"""How fast a pass goes, from what its worker said of late."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from refreshd.words import is_own_test

MARKS = 64
"""So many of the last words are kept. A worker speaks every few seconds, so that they reach back
some minutes: long enough to even out one slow place, short enough to show where a drive slows
down. Chosen, no source."""

TELLING_S = 5.0
"""Less time than this between two marks says nothing about a rate. Chosen, no source."""


@dataclass(slots=True)
class Progress:
    """Where a pass is, in bytes of the drive. Times are those of the clock that never jumps."""

    done_bytes: int = 0
    of_bytes: int = 0
    doing: str = ""
    _marks: deque[tuple[float, int]] = field(default_factory=lambda: deque(maxlen=MARKS))

    def moved(self, at_s: float, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Take in what the worker said."""
        if doing != self.doing or done_bytes < self.done_bytes:
            self._marks.clear()  # another stage goes at another rate
        self.done_bytes, self.of_bytes, self.doing = done_bytes, of_bytes, doing
        if not is_own_test(doing):
            self._marks.append((at_s, done_bytes))

    @property
    def rate_bytes_per_s(self) -> float | None:
        """Return how fast it went of late; None: too early to say, or it stands still."""
        if not self._marks:
            return None
        (begun_s, first), (ended_s, last) = self._marks[0], self._marks[-1]
        seconds = ended_s - begun_s
        if seconds < TELLING_S or last <= first:
            return None
        return (last - first) / seconds

    @property
    def left_s(self) -> float | None:
        """Return how long it will still take at this rate; None: nobody can say."""
        rate = self.rate_bytes_per_s
        return None if rate is None else max(0, self.of_bytes - self.done_bytes) / rate
