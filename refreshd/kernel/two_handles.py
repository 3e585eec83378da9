"""A handle that reads, held through the whole visit, and one that writes, while it may (I9)."""

from __future__ import annotations

import os
from abc import ABC, abstractmethod

from refreshd.errors import InvariantBrokenError, require
from refreshd.quantities import Geometry, Span


class TwoHandles(ABC):
    """What a whole disk and an image file have in common: how they are let go of.

    Whoever inherits opens the handles, and sets `_write_fd` once it may be written to.
    """

    _geometry: Geometry

    def __init__(self, path: str, fd: int) -> None:
        """Take over an open handle that reads."""
        self._path = path
        self._fd = fd
        self._write_fd: int | None = None
        self._is_dirty = False

    @property
    def geometry(self) -> Geometry:
        """Size and sectors, in bytes."""
        return self._geometry

    @abstractmethod
    def flush(self) -> None:
        """Make all writes durable, or raise FlushFailedError. Never retried."""

    def forbid_writing(self) -> None:
        """Flush what is not flushed, and close the handle that can write."""
        if self._write_fd is None:
            return
        try:
            if self._is_dirty:
                self.flush()
        finally:
            os.close(self._write_fd)
            self._write_fd = None

    def close(self) -> None:
        """Let go of the medium: flush, drop the claim; a second call does nothing."""
        if self._fd < 0:
            return
        try:
            self.forbid_writing()
        finally:
            os.close(self._fd)
            self._fd = -1

    def _checked(self, start: int, length: int) -> Span:
        """Return the span of a transfer, which must be whole sectors within the medium."""
        span, sector = Span(start, length), self._geometry.logical_bytes
        require(start % sector == 0 and length % sector == 0, f"{span} is not whole sectors")
        require(span.end <= self._geometry.size_bytes, f"{span} passes the end of the medium")
        return span

    def _writer_of(self, span: Span) -> int:
        """Return the handle that may write the span: whole blocks, after `allow_writing`."""
        require(self._geometry.is_whole_blocks(span), f"{span} is not whole physical blocks")
        if self._write_fd is None:
            raise InvariantBrokenError("a medium is written to only after allow_writing (I9)")
        return self._write_fd
