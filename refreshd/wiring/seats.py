"""A station that reaches one seat alone: the disk that the daemon saw, and no other one.

Between the moment in which a disk was seen and the moment in which it is opened it may have
been pulled out, and another one may have got its node. The kernel never gives a disk sequence
number twice in one boot, so it is compared on the open handle.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from threading import Lock, get_ident

from refreshd.adapters.block import BlockDevice
from refreshd.errors import MistakenDriveError
from refreshd.ports import Clock, Seat
from refreshd.wiring.media import WorkableMedium
from refreshd.wiring.station import Station


@dataclass(frozen=True, slots=True)
class Unanswered:
    """What a disk was asked and has not answered yet, since when, by the clock of durations."""

    what: str
    since_s: float


class OpenRequests:
    """What a disk owes an answer to. Each thread has one request under way at most."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = Lock()
        self._by_thread: dict[int, Unanswered] = {}

    def oldest(self) -> Unanswered | None:
        """Return what has been out for the longest time."""
        with self._lock:
            return min(self._by_thread.values(), key=lambda one: one.since_s, default=None)

    @contextmanager
    def asking(self, what: str) -> Iterator[None]:
        """Mark a request for as long as it is out."""
        asked, thread = Unanswered(what, self._clock.elapsed_s()), get_ident()
        with self._lock:
            self._by_thread[thread] = asked
        try:
            yield
        finally:
            with self._lock:
                del self._by_thread[thread]


class WatchedDisk(BlockDevice):
    """A disk of which somebody else can see what it has not answered."""

    requests: OpenRequests | None = None

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from byte `start`, from below the page cache, or raise UnreadableError."""
        with self._asking(f"reading {len(into)} bytes at byte {start}"):
            super().read(start, into)

    def write(self, start: int, data: memoryview) -> None:
        """Write all of `data` at byte `start`, or raise WriteFailedError."""
        with self._asking(f"writing {len(data)} bytes at byte {start}"):
            super().write(start, data)

    def flush(self) -> None:
        """Make all writes durable, or raise FlushFailedError. Never retried."""
        with self._asking("flushing"):
            super().flush()

    @contextmanager
    def _asking(self, what: str) -> Iterator[None]:
        if self.requests is None:
            yield
            return
        with self.requests.asking(f"{self.place}: {what}"):
            yield


def at_seat(station: Station, seat: Seat, requests: OpenRequests) -> Station:
    """Return a station on which every path is refused but the disk at this seat."""

    def opened(path: str) -> WorkableMedium:
        with requests.asking(f"{path}: opening it"):
            medium = WatchedDisk.open(path)
        medium.requests = requests
        try:
            refuse_another(seat, medium.place, medium.presence().disk_sequence)
        except BaseException:
            medium.close()
            raise
        return medium

    return replace(station, open_medium=opened, look_in=lambda: (seat.node,))


def refuse_another(seat: Seat, place: str, sequence: int | None) -> None:
    """Raise MistakenDriveError unless this is the disk that was seen at the seat."""
    if place != seat.node or sequence != seat.disk_sequence:
        raise MistakenDriveError(
            f"{place}: this is no longer the disk that was seen at {seat.node} (disk sequence "
            f"{seat.disk_sequence}, now {sequence}); it was unplugged meanwhile. Nothing was done "
            "to it"
        )
