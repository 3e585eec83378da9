"""How far a pass is: a bar on a terminal, plain lines elsewhere. Never stops a pass itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TextIO

from refreshd.ports import Clock
from refreshd.words import MINUTE_S, duration_words, is_own_test, rate_words, size_words

if TYPE_CHECKING:
    from rich.progress import Progress

STEP_SHARE = 0.05
STEP_SECONDS_MIN = 2.0
STEP_SECONDS_MAX = 30.0
"""A plain line every five per cent, but not every moment; and one every half minute."""

RESTING = "resting"
"""How a pass begins to say what it does while it lets its drive cool; see `passes.heat`."""


class PlainTeller:
    """
    `ports.Attendant` that writes plain lines.

    Args:
        out: Where to. A terminal that went away is no reason to stop a pass.
        clock: For rates and times.
        wants_stop: Asked by the pass before each segment.

    """

    def __init__(self, out: TextIO, clock: Clock, wants_stop: Callable[[], bool]) -> None:
        self._out = out
        self._clock = clock
        self._wants_stop = wants_stop
        self._begun: tuple[float, int] | None = None  # when, and at which byte
        self._said: tuple[float, int] = (0.0, 0)
        self._heard_at = 0.0
        self._done = 0
        self._is_resting = False
        self._rested_s = 0.0  # which is no time in which the drive was slow

    def wants_stop(self) -> bool:
        """Say whether the pass should finish its segment and stop."""
        return self._wants_stop()

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Hear how far a pass is, and say so now and then."""
        now = self._clock.elapsed_s()
        if self._is_resting:
            self._rested_s += now - self._heard_at
        self._heard_at, self._is_resting = now, doing.startswith(RESTING)
        if done_bytes < self._done:  # Another step over the drive, with a rate of its own.
            self._begun, self._rested_s = None, 0.0
        self._done = done_bytes
        if is_own_test(doing):
            self._own_test(now, done_bytes, of_bytes, doing)
            return
        if self._begun is None:
            self._begun = self._said = (now, done_bytes)
            self._tell(f"{doing}: at {_position(done_bytes, of_bytes)}")
            return
        waited = now - self._said[0]
        share = (done_bytes - self._said[1]) / of_bytes
        is_step = share >= STEP_SHARE and waited >= STEP_SECONDS_MIN
        if is_step or waited >= STEP_SECONDS_MAX:
            self._said = (now, done_bytes)
            self._tell(f"{doing}: at {_position(done_bytes, of_bytes)}{self._rate(now, of_bytes)}")

    def said(self, sentence: str) -> None:
        """Say it at once."""
        self._tell(sentence)

    def close(self) -> None:
        """Nothing is open."""

    def _own_test(self, now: float, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Say how far the drive says that its own test is, each time that it says something new."""
        if self._begun is None or self._said[1] != done_bytes:
            self._tell(_own_test_words(done_bytes, of_bytes, doing))
        self._begun = self._said = (now, done_bytes)

    def _rate(self, now: float, of_bytes: int) -> str:
        if self._begun is None:
            return ""
        done = self._said[1] - self._begun[1]
        seconds = now - self._begun[0] - self._rested_s
        if done <= 0 or seconds <= 0:
            return ""
        left_s = (of_bytes - self._said[1]) * seconds / done
        about = "about " if left_s >= MINUTE_S else ""  # else: "less than a minute"
        return f", {rate_words(done / seconds)}, {about}{duration_words(left_s)} left"

    def _tell(self, line: str) -> None:
        try:
            self._out.write(f"{line}\n")
            self._out.flush()
        except (OSError, ValueError):
            return  # The terminal is gone or closed; the journal has what matters.


class BarTeller:
    """`ports.Attendant` that shows a bar with rate, position and time left."""

    def __init__(self, out: TextIO, wants_stop: Callable[[], bool]) -> None:
        self._out = out
        self._wants_stop = wants_stop
        self._progress: Progress | None = None
        self._done = 0
        self._tested = ""  # what was said last of the drive's own test

    def wants_stop(self) -> bool:
        """Say whether the pass should finish its segment and stop."""
        return self._wants_stop()

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Move the bar."""
        if is_own_test(doing):
            self._own_test(done_bytes, of_bytes, doing)
            return
        try:
            is_anew, self._done = done_bytes < self._done, done_bytes
            if self._progress is None:
                self._begin(done_bytes, of_bytes, doing)
            elif is_anew:  # Another step over the drive, with a rate of its own.
                self._progress.reset(
                    self._progress.task_ids[0],
                    total=of_bytes,
                    completed=done_bytes,
                    description=doing,
                )
            elif not self._progress.finished or done_bytes < of_bytes:
                self._progress.update(
                    self._progress.task_ids[0], completed=done_bytes, description=doing
                )
        except (OSError, ValueError):
            return  # As above.

    def said(self, sentence: str) -> None:
        """Say it above the bar."""
        try:
            if self._progress is not None:
                self._progress.console.print(sentence, markup=False, highlight=False)
            else:
                self._out.write(f"{sentence}\n")
                self._out.flush()
        except (OSError, ValueError):
            return  # As above.

    def close(self) -> None:
        """Take the bar away."""
        if self._progress is not None:
            self._progress.stop()
            self._progress = None

    def _own_test(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Say in a line how far the drive's own test is: a bar would tell bytes, and none go."""
        self.close()
        if (words := _own_test_words(done_bytes, of_bytes, doing)) != self._tested:
            self._tested = words
            self.said(words)

    def _begin(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        from rich.console import Console  # noqa: PLC0415 - costs every verb time, passes need it.
        from rich.progress import (  # noqa: PLC0415
            BarColumn,
            DownloadColumn,
            Progress,
            TextColumn,
            TimeRemainingColumn,
            TransferSpeedColumn,
        )

        self._progress = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            DownloadColumn(),
            TransferSpeedColumn(),
            TimeRemainingColumn(),
            console=Console(file=self._out, color_system=None),
            transient=True,
        )
        # Begun where the pass goes on, so that what was done before counts into no rate.
        self._progress.add_task(doing, total=of_bytes, completed=done_bytes)
        self._progress.start()


def _own_test_words(done_bytes: int, of_bytes: int, doing: str) -> str:
    if not done_bytes:
        return f"{doing}: under way"
    return f"{doing}: {100 * done_bytes // of_bytes} % of it done, as the drive says"


def _position(done_bytes: int, of_bytes: int) -> str:
    return (
        f"{size_words(done_bytes)} of {size_words(of_bytes)} ({100 * done_bytes / of_bytes:.0f} %)"
    )
