"""Reading and writing below the page cache: whole transfers, aligned memory, named errors."""

from __future__ import annotations

import errno
import mmap
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from refreshd.errors import DriveError, DriveGoneError, UnreadableError, WriteFailedError
from refreshd.quantities import Geometry, Span

GONE = frozenset({errno.ENODEV, errno.ENXIO, errno.ENOMEDIUM, errno.ESHUTDOWN})
"""The device answers no more. Source: Linux block/blk-core.c, BLK_STS_OFFLINE; SCSI disk open."""

UNREADABLE = frozenset(
    {errno.EIO, errno.ENODATA, errno.EREMOTEIO, errno.EILSEQ, errno.ETIMEDOUT, errno.EBADMSG}
)
"""The medium did not give the bytes: I/O, medium, target, protection and timeout errors, and
checksum failures of a file system. Source: Linux block/blk-core.c, table blk_errors."""

UNWRITABLE = UNREADABLE | {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EPERM, errno.EFBIG}
"""A write that did not reach the medium; ENOSPC and EDQUOT where a thin or full backing refuses."""

SERVER_SIDE = frozenset({errno.ENOMEM, errno.ENOLINK, errno.EBADE, errno.ENOBUFS, errno.EAGAIN})
"""Says nothing about the bytes: memory of the server, transport, a reservation by another host."""


def error_name(err: OSError) -> str:
    """Return the name of an errno, such as ``EIO``."""
    return errno.errorcode.get(err.errno or 0, str(err.errno))


@contextmanager
def reading(place: str, span: Span) -> Iterator[None]:
    """Turn the errors of a read into ours; an errno nobody named goes through unchanged."""
    try:
        yield
    except OSError as err:
        if err.errno in UNREADABLE:
            raise UnreadableError(place, span, error_name(err)) from err
        _raise_other_cause(place, err, "reading")
        raise


@contextmanager
def writing(place: str, span: Span) -> Iterator[None]:
    """Turn the errors of a write into ours; an errno nobody named goes through unchanged."""
    try:
        yield
    except OSError as err:
        if err.errno in UNWRITABLE:
            raise WriteFailedError(place, span, error_name(err)) from err
        _raise_other_cause(place, err, "writing")
        raise


def _raise_other_cause(place: str, err: OSError, doing: str) -> None:
    """Raise our error for a transfer that failed for another named reason than the medium."""
    if err.errno in GONE:
        raise DriveGoneError(
            f"{place}: the drive answers no more ({error_name(err)} while {doing}); plug it in "
            "again, the pass goes on from its last checkpoint"
        ) from err
    if err.errno in SERVER_SIDE:
        raise DriveError(
            f"{place}: {error_name(err)} while {doing}; this says nothing about the drive's bytes: "
            "look at the server's memory, cable and host adapter, then run the pass again"
        ) from err


def aligned_buffer(length: int) -> memoryview:
    """Return zeroed memory that starts on a page, as direct I/O wants it."""
    return memoryview(mmap.mmap(-1, length))


def read_fully(fd: int, start: int, into: memoryview) -> None:
    """Fill `into` from byte `start`; go on after a short read; OSError ENODATA at the end.

    A short read is not an error: the kernel ends a transfer before a bad sector and reports
    that sector on the next call.
    """
    done = 0
    while done < len(into):
        count = _read_once(fd, start + done, into[done:])
        if count == 0:
            raise OSError(errno.ENODATA, "the medium ends before the range does")
        done += count


def _read_once(fd: int, start: int, into: memoryview) -> int:
    """Read once, through memory of our own if the caller's is not aligned well enough."""
    try:
        return os.preadv(fd, [into], start)
    except OSError as err:
        if err.errno != errno.EINVAL:
            raise
    bounce = aligned_buffer(len(into))
    count = os.preadv(fd, [bounce], start)
    into[:count] = bounce[:count]
    return count


def write_fully(fd: int, start: int, data: memoryview) -> None:
    """Write all of `data` at byte `start`; go on after a short write; OSError EIO on none."""
    done = 0
    while done < len(data):
        count = _write_once(fd, start + done, data[done:])
        if count == 0:
            raise OSError(errno.EIO, "the medium took no byte of a write")
        done += count


def _write_once(fd: int, start: int, data: memoryview) -> int:
    """Write once, from memory of our own if the caller's is not aligned well enough."""
    try:
        return os.pwritev(fd, [data], start)
    except OSError as err:
        if err.errno != errno.EINVAL:
            raise
    bounce = aligned_buffer(len(data))
    bounce[:] = data
    return os.pwritev(fd, [bounce], start)


def bytes_reader(
    read: Callable[[int, memoryview], None], geometry: Geometry
) -> Callable[[int, int], bytes]:
    """Return a reader of any byte range, made of one that reads whole sectors.

    A range that passes the end of the medium comes back shorter.
    """
    sector = geometry.logical_bytes

    def read_bytes(start: int, length: int) -> bytes:
        end = min(start + length, geometry.size_bytes)
        if start < 0 or start >= end:
            return b""
        first = start - start % sector
        buffer = aligned_buffer(-(-end // sector) * sector - first)
        read(first, buffer)
        return bytes(buffer[start - first : end - first])

    return read_bytes
