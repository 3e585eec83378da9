"""Drives, staging, and the threads that reach them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from enum import StrEnum
from typing import Protocol, TypeVar

from refreshd.cards import Evidence, Presence
from refreshd.quantities import Geometry, Span

T = TypeVar("T")
R = TypeVar("R")


class ReadBackMethod(StrEnum):
    """How a read-back is made to come from the medium; written in the journal."""

    LAGGED = "lagged"  # so much else went over the drive that its cache cannot answer
    CACHE_DROPPED = "cache dropped"  # an image file: only the page cache stood between
    UNCERTAIN = "uncertain"  # a medium smaller than the lag


class Medium(Protocol):
    """A drive, however its content reaches us."""

    @property
    def place(self) -> str:
        """Where it is now, for messages: a device node or a path."""

    def evidence(self) -> Evidence:
        """Return what the medium says about itself. Reads, never writes."""

    def presence(self) -> Presence:
        """Return the stay that the drive is in."""

    def close(self) -> None:
        """Let go of the medium: flush what is open, drop the claim."""


class BlockMedium(Medium, Protocol):
    """A medium of numbered bytes. Read-only until `allow_writing` (I9).

    Every call may raise `DriveGoneError`. Offsets and lengths are whole logical sectors.
    """

    @property
    def geometry(self) -> Geometry:
        """Size and sectors, in bytes."""

    @property
    def has_drive_cache(self) -> bool:
        """False where only the page cache stands between us and the bytes (an image file)."""

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from byte `start`, from below the page cache, or raise UnreadableError."""

    def write(self, start: int, data: memoryview) -> None:
        """Write all of `data` at byte `start`, or raise WriteFailedError."""

    def flush(self) -> None:
        """Make all writes durable, or raise FlushFailedError. Never retried."""

    def data_spans(self, span: Span) -> tuple[Span, ...]:
        """Return the parts of `span` that are not holes; all of it on a block device."""

    def drop_cache(self) -> None:
        """Drop whatever this machine's memory holds of the medium."""

    def prove_identity(self) -> None:
        """Prove on the open handle that this is still the same drive, or MistakenDriveError."""

    def allow_writing(self) -> None:
        """Prove identity, then make the medium writable. Called at the rewrite stage only."""

    def forbid_writing(self) -> None:
        """Make it read-only again."""


class StagingFile(Protocol):
    """Preallocated room on the server's own disk. Failures raise StagingFailedError."""

    @property
    def size_bytes(self) -> int:
        """Room in bytes."""

    @property
    def block_bytes(self) -> int:
        """Offsets and lengths are multiples of this."""

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from the disk, not from the page cache."""

    def write(self, start: int, data: memoryview) -> None:
        """Write all of `data`."""

    def flush(self) -> None:
        """Make all writes durable. Never retried."""

    def keep_aside(self, name: str, data: memoryview) -> str:
        """Store bytes durably outside of the ring; return the path for the record."""


class Lanes(Protocol):
    """Does several things at once, or, in a simulation, one after the other in order."""

    @property
    def is_hung(self) -> bool:
        """Say whether a request is still out that will not be waited for any more."""

    def each(self, act: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Act on every item, a bounded number at a time, and yield the results in order.

        An error of `act` is raised where its result would stand, after the acts under way
        have ended.
        """

    def aside(self, act: Callable[[], R]) -> Callable[[], R]:
        """Start `act` beside the caller; the returned call waits for its result."""

    def resting(self) -> AbstractContextManager[None]:
        """Mark a time in which this lane waits on purpose, which is no hang of the drive."""

    def scratch(self, length: int, use: str = "chunk") -> memoryview:
        """Return a buffer of `length` bytes, aligned for direct I/O, owned by this lane.

        The same `use` gets the same buffer again: what must outlast the next reading of a
        chunk needs a use of its own, or it would be written over unseen.
        """


class Attendant(Protocol):
    """Whoever watches a pass: is told how it goes, may ask it to stop."""

    def wants_stop(self) -> bool:
        """Say whether the pass should finish its segment and stop."""

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Hear how far a pass is."""

    def said(self, sentence: str) -> None:
        """Hear something worth telling the archivist at once."""
