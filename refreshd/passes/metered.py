"""The drive as a pass sees it: every byte counted, rate and heat kept, no write after a doubt.

Lanes read and write at the same time, so the counters are kept under a lock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from threading import Lock, get_ident
from typing import TypeVar

from refreshd.errors import DriveError, WriteFailedError, require
from refreshd.passes.watch import Watch
from refreshd.ports import BlockMedium, Clock, Lanes, ReadBackMethod
from refreshd.quantities import Geometry, Span

R = TypeVar("R")

NOT_TRIED = "not tried after an earlier error"


class Pacer:
    """Keeps the average rate below a limit, in bytes per second. None: no limit."""

    def __init__(self, clock: Clock, lanes: Lanes, rate_bytes_per_s_max: int | None) -> None:
        self._clock = clock
        self._lanes = lanes
        self._rate = rate_bytes_per_s_max
        self._lock = Lock()
        self._free_at_s = clock.elapsed_s()

    def spend(self, length: int) -> None:
        """Wait until `length` more bytes may move."""
        if self._rate is None:
            return
        with self._lock:
            now = self._clock.elapsed_s()
            wait = self._free_at_s - now
            self._free_at_s = max(self._free_at_s, now) + length / self._rate
        if wait > 0:
            with self._lanes.resting():
                self._clock.sleep(wait)


@dataclass(frozen=True, slots=True)
class Request:
    """Something asked of the drive that it has not answered yet. `span`: where content moves."""

    doing: str
    span: Span | None = None

    def __str__(self) -> str:
        if self.span is None:
            return self.doing
        return f"{self.doing} {self.span.length} bytes at byte {self.span.start}"


class MeteredMedium:
    """One visit's door to the medium; nothing else in a pass touches it."""

    def __init__(self, medium: BlockMedium, pacer: Pacer, watch: Watch, lag_bytes: int) -> None:
        self._medium = medium
        self._pacer = pacer
        self._watch = watch
        self._lock = Lock()
        self._is_doubted = False
        self._is_writable = False
        self._under_way: dict[int, Request] = {}  # by thread, the oldest first
        self.bytes_read = 0
        self.bytes_written = 0
        self.lag_bytes = lag_bytes if medium.has_drive_cache else 0

    @property
    def place(self) -> str:
        """Where the drive is, for messages."""
        return self._medium.place

    @property
    def geometry(self) -> Geometry:
        """Size and sectors, in bytes."""
        return self._medium.geometry

    @property
    def traffic(self) -> int:
        """Bytes that have gone over the drive in this visit, either way."""
        return self.bytes_read + self.bytes_written

    def readback_method(self, segment_bytes: int) -> ReadBackMethod:
        """Say how a read-back can be made to come from this medium."""
        if not self._medium.has_drive_cache:
            return ReadBackMethod.CACHE_DROPPED
        if self.geometry.size_bytes - segment_bytes >= self.lag_bytes:
            return ReadBackMethod.LAGGED
        return ReadBackMethod.UNCERTAIN

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from byte `start`."""
        self._wait_for(len(into))
        request = Request("reading", Span(start, len(into)))
        self._ask(request, lambda: self._medium.read(start, into))
        with self._lock:
            self.bytes_read += len(into)

    def write(self, start: int, data: memoryview) -> None:
        """Write at byte `start`; only between `open_for_writing` and the next doubt.

        Another lane's request may have failed a moment ago, and what answers now may be
        another drive: then this write fails, too, before it touches anything.
        """
        span = Span(start, len(data))
        self._wait_for(len(data))
        with self._watch.writing():
            # Looked at last of all: while this lane waited, another may have given the drive up.
            require(self._is_writable, "nothing is written before the rewrite stage (I9)")
            if self._is_doubted:
                raise WriteFailedError(self.place, span, NOT_TRIED)
            self._ask(Request("writing", span), lambda: self._medium.write(start, data))
        with self._lock:
            self.bytes_written += len(data)

    def flush(self) -> None:
        """Make the writes durable. A failed flush is never asked again."""
        self._ask(Request("flushing"), self._medium.flush)

    def oldest_request(self) -> Request | None:
        """Return what the drive has owed an answer for the longest time."""
        with self._lock:
            return next(iter(self._under_way.values()), None)

    def data_spans(self, span: Span) -> tuple[Span, ...]:
        """Return the parts of `span` that are not holes."""
        return self._medium.data_spans(span)

    def drop_cache(self) -> None:
        """Drop what this machine's memory holds of the medium."""
        self._medium.drop_cache()

    def open_for_writing(self) -> None:
        """Make the medium writable, and prove its identity again if anything raised a doubt.

        After an I/O error the thing that answers may be another drive on the same node.
        """
        self._watch.refuse_writing()
        if not self._is_writable:
            self._medium.allow_writing()
            self._is_writable = True
        elif self._is_doubted:
            self._medium.prove_identity()
        self._is_doubted = False

    def close_for_writing(self) -> None:
        """Make the medium read-only again."""
        if self._is_writable:
            self._is_writable = False
            self._medium.forbid_writing()

    def abandon(self) -> None:
        """Write nothing more, without asking anything of a drive that hangs."""
        self._is_writable = False

    def _wait_for(self, length: int) -> None:
        """Wait until so many bytes may move, by the rate limit and by the drive's temperature."""
        self._pacer.spend(length)
        self._watch.admit(self.traffic, partial(self._ask, Request("asking how hot it is")))

    def _ask(self, request: Request, act: Callable[[], R]) -> R:
        lane = get_ident()
        with self._lock:
            self._under_way[lane] = request
        try:
            return act()
        except DriveError:
            self._is_doubted = True
            raise
        finally:
            with self._lock:
                del self._under_way[lane]
