"""Says what a disk has not answered for long, while the pass still waits for it."""

from __future__ import annotations

import threading
from collections.abc import Callable

from refreshd.durations import counted
from refreshd.ports import Clock
from refreshd.wiring.seats import OpenRequests, Unanswered

LONG_S = 30.0
"""A drive retries a weak sector for seconds, and takes about ten to spin up (common practice, no
source). The pass itself gives up after the policy's request timeout only."""

LOOK_EVERY_S = 5.0


class SilenceWatch:
    """Tells once of a request that is out for long, and when it was answered after all."""

    def __init__(self, requests: OpenRequests, clock: Clock, say: Callable[[str], None]) -> None:
        self._requests = requests
        self._clock = clock
        self._say = say
        self._told: Unanswered | None = None

    def start(self) -> None:
        """Look every few seconds, in a thread of its own, until the process ends."""
        threading.Thread(target=self._run, name="silence", daemon=True).start()

    def look(self) -> None:
        """Look once."""
        oldest = self._requests.oldest()
        if self._told is not None and oldest != self._told:
            self._say(f"{self._told.what}: answered after {self._waited(self._told)}.")
            self._told = None
        if oldest is None or oldest == self._told:
            return
        if self._clock.elapsed_s() - oldest.since_s >= LONG_S:
            self._told = oldest
            self._say(f"{oldest.what}: no answer for {self._waited(oldest)}.")

    def _waited(self, asked: Unanswered) -> str:
        return counted(round(self._clock.elapsed_s() - asked.since_s), "second")

    def _run(self) -> None:
        while True:
            self._clock.sleep(LOOK_EVERY_S)
            self.look()
