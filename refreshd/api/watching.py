"""What happens, told live to whoever watches; whoever reads slowly holds up nobody but himself.

Rules:

1. The caretaker's listener puts a line into a bounded queue for each watcher and returns at once.
2. How far a pass is takes one place in a queue, the newest: a slow reader misses steps, no words.
3. A reader who does not take even the words is told that he missed some, and his stream ends.
4. A watcher who is gone is forgotten when his stream is closed; the pass goes on.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field

from refreshd.errors import DaemonUnreachableError, DriveError, RefreshdError
from refreshd.messages import AnyMessage, Moved, VisitEnded, WorkerEnded, told
from refreshd.ports import Seat, VisitOrder
from refreshd.quantities import DriveNumber
from refreshd.reception.wire import BEAT_S, Beat, Broken, Heard

LINES_MAX = 500
"""A pass says some ten sentences; so many wait only where nobody reads."""

AnyLine = Heard | Beat | Broken
Wanted = Callable[[Heard], bool]

_ENDING = DaemonUnreachableError(
    "the daemon ends; a pass under way is checkpointed and goes on when the daemon runs again"
)
_MISSED = DriveError("what the daemon said was not read in time; ask for its status again")


@dataclass(eq=False)
class Watcher:
    """One reader of a stream. `is_last` says which line it was waiting for."""

    wanted: Wanted
    is_last: Wanted
    _lines: deque[AnyLine] = field(default_factory=deque)
    _ready: asyncio.Event = field(default_factory=asyncio.Event)
    _is_over: bool = False

    def put(self, line: Heard) -> None:
        """Keep a line for the reader."""
        if self._is_over or not self.wanted(line):
            return
        if isinstance(line.message, Moved) and self._is_moving(line.node):
            self._lines.pop()
        self._lines.append(line)
        if self.is_last(line):
            self._end()
        elif len(self._lines) > LINES_MAX:
            self.break_off(_MISSED)
        self._ready.set()

    def _is_moving(self, node: str) -> bool:
        """Say whether the newest line only says how far the same pass was."""
        last = self._lines[-1] if self._lines else None
        return isinstance(last, Heard) and last.node == node and isinstance(last.message, Moved)

    def break_off(self, error: RefreshdError) -> None:
        """End the stream with a reason."""
        if not self._is_over:
            self._lines.append(Broken(error=told(error)))
            self._end()

    def _end(self) -> None:
        self._is_over = True
        self._ready.set()

    async def lines(self) -> AsyncIterator[AnyLine]:
        """Yield what was put, and a beat whenever nothing was for a second."""
        while True:
            while self._lines:
                yield self._lines.popleft()
            if self._is_over:
                return
            self._ready.clear()
            try:
                async with asyncio.timeout(BEAT_S):
                    await self._ready.wait()
            except TimeoutError:
                yield Beat()


class Gallery:
    """All who watch."""

    def __init__(self) -> None:
        self._watchers: set[Watcher] = set()
        self._is_closed = False

    def hear(self, seat: Seat, drive: DriveNumber | None, message: AnyMessage) -> None:
        """Hear what the caretaker heard: `caretaker.Listener`."""
        line = Heard(node=seat.node, drive=drive, message=message)
        for watcher in tuple(self._watchers):
            watcher.put(line)

    def let_in(self, watcher: Watcher) -> None:
        """Let a watcher hear from now on."""
        self._watchers.add(watcher)
        if self._is_closed:
            watcher.break_off(_ENDING)

    def forget(self, watcher: Watcher) -> None:
        """Let a watcher go."""
        self._watchers.discard(watcher)

    def close(self) -> None:
        """End all streams: the daemon ends."""
        self._is_closed = True
        for watcher in tuple(self._watchers):
            watcher.break_off(_ENDING)


def of_everything() -> Watcher:
    """Return somebody who watches all that happens, until one side ends."""
    return Watcher(wanted=lambda _: True, is_last=lambda _: False)


def of_visit(order: VisitOrder) -> Watcher:
    """Return somebody who watches one visit to its end."""

    def is_of_it(line: Heard) -> bool:
        is_drive = line.drive is not None and line.drive == order.number
        return is_drive or line.node == order.on

    return Watcher(wanted=is_of_it, is_last=_ends_a_visit)


def _ends_a_visit(line: Heard) -> bool:
    """Say whether a visit is over. A worker that failed may have had no time to say so."""
    message = line.message
    return isinstance(message, VisitEnded) or (
        isinstance(message, WorkerEnded) and message.exit_code != 0
    )
