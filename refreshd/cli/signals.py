"""A pass is asked to stop by a signal: the first waits for the segment, the second does not."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass
from types import FrameType, TracebackType
from typing import Self

Handler = Callable[[int, FrameType | None], object] | int | None

STOPPING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class StoppedByHandError(BaseException):
    """Somebody ended a verb that runs no pass; not an `Exception`, so that nobody swallows it."""


@dataclass(frozen=True, slots=True)
class Stopping:
    """What the first signal comes to, said behind its name, and what the second does."""

    first: str
    second: str


HERE = Stopping(
    first="the segment under way is finished and written down, then the pass stops; once more "
    "leaves at once.",
    second="Leaving at once. That is safe: what was being rewritten is in staging, and the pass "
    "goes on from its last checkpoint when it is run again.",
)
BY_DAEMON = Stopping(
    first="the daemon is asked to finish the segment under way, write it down, and stop the pass; "
    "once more leaves without waiting for that.",
    second="Leaving without waiting: the daemon finishes its segment and stops by itself.",
)


class StopRequest:
    """
    Listens to signals for as long as it is entered.

    Args:
        tell: Says a sentence to the archivist.
        leave: Ends the process at once, for a second signal.
        stopping: What signals come to; may be set anew as long as none has come.

    """

    def __init__(
        self,
        tell: Callable[[str], None],
        leave: Callable[[], None],
        stopping: Stopping = HERE,
    ) -> None:
        self.stopping = stopping
        self._tell = tell
        self._leave = leave
        self._before: dict[signal.Signals, Handler] = {}
        self.is_asked = False

    def __enter__(self) -> Self:
        """Begin to listen, in the main thread; elsewhere signals are somebody else's."""
        if threading.current_thread() is not threading.main_thread():
            return self
        for number in STOPPING:
            if signal.getsignal(number) is not signal.SIG_IGN:  # nohup keeps its promise
                self._before[number] = signal.signal(number, self._hear)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave signals as they were."""
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before.clear()

    def _hear(self, number: int, _frame: FrameType | None) -> None:
        if self.is_asked:
            self._tell(self.stopping.second)
            self._leave()
        self.is_asked = True
        self._tell(f"Asked to stop ({signal.Signals(number).name}): {self.stopping.first}")


def end_by_exception(number: int, frame: FrameType | None) -> None:
    """Handle a signal outside of a pass."""
    raise StoppedByHandError(signal.Signals(number).name)


def leave_at_once(code: int) -> None:
    """End the process without waiting for a thread that hangs in the kernel."""
    os._exit(code)
