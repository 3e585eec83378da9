"""The two pipes between a worker and the service."""

from __future__ import annotations

import os
import signal
import threading
from contextlib import suppress
from types import FrameType
from typing import BinaryIO

from refreshd.messages import Message, Moved, Said, plain
from refreshd.ports import Clock

STOP_WORD = b"stop"
MOVED_EVERY_S = 0.5
"""Often enough for whoever looks on; more would wake the service for nothing."""


class StopRequest:
    """Whether the worker was asked to stop. Set from the thread of stdin or by a signal."""

    def __init__(self) -> None:
        self.is_asked = False

    def listen_to_signals(self) -> None:
        """Take signals as a request; one that would only end the process would lose a segment."""
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._hear)

    def listen_to(self, stream: BinaryIO) -> None:
        """Read a stream in a thread of its own; its end means that the service is gone."""
        threading.Thread(target=self._read, args=(stream,), name="stdin", daemon=True).start()

    def _hear(self, _number: int, _frame: FrameType | None) -> None:
        self.is_asked = True

    def _read(self, stream: BinaryIO) -> None:
        with suppress(OSError, ValueError):
            for line in stream:
                if line.strip() == STOP_WORD:
                    break
        self.is_asked = True


class Speaker:
    """
    `ports.Attendant` that tells the service what it hears.

    Args:
        handle: Where messages are written to.
        clock: For how often movement is told.
        request: Set when nobody listens any more.

    """

    def __init__(self, handle: int, clock: Clock, request: StopRequest) -> None:
        self._handle = handle
        self._clock = clock
        self._request = request
        self._lock = threading.Lock()
        self._moved_s: float | None = None
        self._doing = ""

    def wants_stop(self) -> bool:
        """Say whether the pass should finish its segment and stop."""
        return self._request.is_asked

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Tell how far a pass is, a few times a second at most, and each new step at once."""
        now = self._clock.elapsed_s()
        is_new = doing != self._doing or done_bytes == of_bytes
        if is_new or self._moved_s is None or now - self._moved_s >= MOVED_EVERY_S:
            self._moved_s, self._doing = now, doing
            self.tell(Moved(done_bytes=done_bytes, of_bytes=of_bytes, doing=doing))

    def said(self, sentence: str) -> None:
        """Tell it at once."""
        self.tell(Said(sentence=plain(sentence)))

    def tell(self, message: Message) -> None:
        """Write one message; where nobody reads any more, ask the pass to stop."""
        line = message.model_dump_json().encode() + b"\n"
        try:
            with self._lock:
                _write_all(self._handle, line)
        except OSError:
            self._request.is_asked = True


def _write_all(handle: int, line: bytes) -> None:
    rest = memoryview(line)
    while rest:
        rest = rest[os.write(handle, rest) :]
