"""An image file as a medium: the bytes of a drive in a regular file; needs no privileges.

Only the page cache stands between the program and the file system, and it is gone round
(O_DIRECT) or dropped before every read. Holes are never written.
"""

from __future__ import annotations

import errno
import fcntl
import os
import stat
from pathlib import Path
from typing import Self

from refreshd import signatures
from refreshd.cards import Carrier, Evidence, Presence
from refreshd.errors import (
    DriveGoneError,
    FlushFailedError,
    MediumInUseError,
    MistakenDriveError,
    RefusedError,
    UsageError,
    WriteFailedError,
)
from refreshd.kernel import backing, direct_io, ioctls
from refreshd.kernel.file_locks import try_lock
from refreshd.kernel.two_handles import TwoHandles
from refreshd.quantities import SECTOR_BYTES_MIN, Geometry, Span

_PHYSICAL_BYTES = 4096
"""Block of nearly every file system; a rewrite touches whole ones where the size allows it."""


class ImageFile(TwoHandles):
    """`ports.BlockMedium` on a regular file."""

    def __init__(self, path: str, fd: int) -> None:
        """Take over an open, locked file; use `open`."""
        super().__init__(path, fd)
        self._opened = os.fstat(fd)
        self._geometry = _geometry(path, fd, self._opened.st_size)
        _fit_mode(fd, self._geometry)

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open an image for reading and claim it against other passes.

        Raises:
            UsageError: There is no such file, or it is no regular file of whole sectors.
            MediumInUseError: Another process has locked it.
            RefusedError: It may not be read.

        """
        place = os.path.realpath(path)
        fd = _open(place, os.O_RDONLY)
        try:
            _claim(place, fd)
            return cls(place, fd)
        except BaseException:
            os.close(fd)
            raise

    @property
    def place(self) -> str:
        """The path of the image."""
        return self._path

    @property
    def has_drive_cache(self) -> bool:
        """No cache but the page cache stands between us and the bytes."""
        return False

    def evidence(self) -> Evidence:
        """Return what the image says: a file has no identity but its content."""
        read = direct_io.bytes_reader(self.read, self._geometry)
        size, logical = self._geometry.size_bytes, self._geometry.logical_bytes
        marks = signatures.probe(read, size, logical)
        return Evidence(
            Carrier.IMAGE, size, logical, self._geometry.physical_bytes, None, signatures=marks
        )

    def presence(self) -> Presence:
        """Return no proof of a stay: anybody may have edited the file in between."""
        return Presence()

    def rewrite_objection(self) -> str | None:
        """Say why rewriting this image in place would not rewrite its bits; None if it would."""
        return backing.rewrite_objection(self._fd)

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from byte `start`, not from the page cache, or raise UnreadableError."""
        span = self._checked(start, len(into))
        with direct_io.reading(self._path, span):
            # An overlay copies a file up when it is opened for writing: only that handle reads
            # what was written. Without O_DIRECT clean pages would answer, so they are dropped.
            fd = self._fd if self._write_fd is None else self._write_fd
            os.posix_fadvise(fd, start, len(into), os.POSIX_FADV_DONTNEED)
            direct_io.read_fully(fd, start, into)

    def write(self, start: int, data: memoryview) -> None:
        """Write all of `data` over bytes that are there, or raise WriteFailedError."""
        span = self._checked(start, len(data))
        handle = self._writer_of(span)
        if self.data_spans(span) != (span,):
            # Bytes that were punched out since they were read: writing would fill the hole.
            raise WriteFailedError(self._path, span, "a hole in the image")
        self._is_dirty = True
        with direct_io.writing(self._path, span):
            direct_io.write_fully(handle, start, data)

    def flush(self) -> None:
        """Make all writes durable, or raise FlushFailedError. Never retried."""
        if self._write_fd is None:
            return
        self._is_dirty = False
        try:
            os.fsync(self._write_fd)
        except OSError as err:
            raise FlushFailedError(
                f"{self._path}: {direct_io.error_name(err)} on flush; nothing written since the "
                "last good flush is known to be there"
            ) from err

    def data_spans(self, span: Span) -> tuple[Span, ...]:
        """Return the parts of `span` that are not holes."""
        found: list[Span] = []
        at = span.start
        while at < span.end:
            data = self._seek(at, os.SEEK_DATA)
            if data is None or data >= span.end:
                break
            hole = self._seek(data, os.SEEK_HOLE)
            end = span.end if hole is None else min(hole, span.end)
            found.append(Span(data, end - data))
            at = end
        return tuple(found)

    def _seek(self, at: int, whence: int) -> int | None:
        """Return where the next data or hole begins; None if there is no more data."""
        try:
            return os.lseek(self._fd, at, whence)
        except OSError as err:
            if err.errno == errno.ENXIO:
                return None
            raise

    def drop_cache(self) -> None:
        """Drop whatever this machine's memory holds of the image."""
        os.posix_fadvise(self._fd, 0, 0, os.POSIX_FADV_DONTNEED)

    def prove_identity(self) -> None:
        """Prove that the path still leads to the file that was opened, with the same size."""
        try:
            found = Path(self._path).stat()
        except FileNotFoundError as err:
            raise DriveGoneError(f"{self._path}: the image is no longer there") from err
        opened, held = self._opened, os.fstat(self._fd)
        if (found.st_dev, found.st_ino) != (opened.st_dev, opened.st_ino):
            raise MistakenDriveError(f"{self._path}: another file lies there now; nothing written")
        if held.st_size != opened.st_size:
            raise MistakenDriveError(
                f"{self._path}: the image had {opened.st_size} bytes when it was opened and has "
                f"{held.st_size} now; nothing written"
            )

    def allow_writing(self) -> None:
        """Prove identity, then open a second handle that can write (I9)."""
        self.prove_identity()
        if self._write_fd is None:
            fd = _open(self._path, os.O_RDWR)
            if os.path.sameopenfile(fd, self._fd):
                _fit_mode(fd, self._geometry)
                self._write_fd = fd
                return
            os.close(fd)
            raise MistakenDriveError(f"{self._path}: another file lies there now; nothing written")


def _open(place: str, mode: int) -> int:
    """Open a file with O_DIRECT where its file system allows it, else without."""
    try:
        return _open_direct(place, mode)
    except (FileNotFoundError, NotADirectoryError) as err:
        raise UsageError(f"{place}: no such file") from err
    except PermissionError as err:
        raise RefusedError(f"{place}: may not be opened; check its owner and mode") from err
    except OSError as err:
        if err.errno == errno.EROFS:
            raise RefusedError(f"{place}: lies on a file system mounted read-only") from err
        raise


def _open_direct(place: str, mode: int) -> int:
    """Open with O_DIRECT, or without where the file system refuses it."""
    flags = mode | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
    try:
        return os.open(place, flags | os.O_DIRECT)
    except OSError as err:
        if err.errno != errno.EINVAL:
            raise
    return os.open(place, flags)


def _claim(place: str, fd: int) -> None:
    """Lock a regular file; the lock goes with the handle, also when the process is killed."""
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        raise UsageError(f"{place}: not a regular file; name an image file")
    if not try_lock(fd):
        raise MediumInUseError(
            f"{place}: another process holds a lock on this image; wait for it or end it"
        )


def _geometry(place: str, fd: int, size_bytes: int) -> Geometry:
    """Return size and sectors: what direct I/O on this file wants, 512 bytes at least."""
    if size_bytes == 0 or size_bytes % SECTOR_BYTES_MIN:
        raise UsageError(
            f"{place}: {size_bytes} bytes is no whole number of {SECTOR_BYTES_MIN}-byte sectors, "
            "so this is no image of a drive, or it was cut short; make the image again"
        )
    logical = _direct_block_bytes(fd)
    if size_bytes % logical:
        logical = SECTOR_BYTES_MIN  # Its last sectors are no whole block: see `_fit_mode`.
    physical = _PHYSICAL_BYTES if size_bytes % _PHYSICAL_BYTES == 0 else logical
    return Geometry(size_bytes, logical, max(logical, physical))


def _direct_block_bytes(fd: int) -> int:
    """Return what direct I/O on this file wants, 512 bytes at least."""
    said = ioctls.direct_alignment(fd)
    return max(SECTOR_BYTES_MIN, said.offset_bytes if said else SECTOR_BYTES_MIN)


def _fit_mode(fd: int, geometry: Geometry) -> None:
    """Go back to the page cache where direct I/O wants larger blocks than the image has."""
    if geometry.logical_bytes < _direct_block_bytes(fd):
        fcntl.fcntl(fd, fcntl.F_SETFL, fcntl.fcntl(fd, fcntl.F_GETFL) & ~os.O_DIRECT)
