"""What is still to happen in a simulated world, in the order of its time."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from itertools import count

from refreshd.simulated.clock import SimulatedClock

Act = Callable[[], None]


class Timeline:
    """Acts at moments of the clock that never jumps; the clock on the wall may be wrong."""

    def __init__(self, clock: SimulatedClock) -> None:
        self.clock = clock
        self._waiting: list[tuple[float, int, Act]] = []
        self._order = count()

    @property
    def now_s(self) -> float:
        """Return the seconds that have passed."""
        return self.clock.passed_s

    def after(self, seconds: float, act: Act) -> None:
        """Let something happen so many seconds from now."""
        heapq.heappush(self._waiting, (self.now_s + seconds, next(self._order), act))

    def next_s(self) -> float | None:
        """Return when the next thing happens; None: nothing will."""
        return self._waiting[0][0] if self._waiting else None

    def go_to(self, at_s: float) -> None:
        """Let time pass until a moment, and all that is due by then happen."""
        while self._waiting and self._waiting[0][0] <= at_s:
            due_s, _, act = heapq.heappop(self._waiting)
            self.clock.sleep(max(0.0, due_s - self.now_s))
            act()
        self.clock.sleep(max(0.0, at_s - self.now_s))
