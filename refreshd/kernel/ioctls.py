"""The ioctls and raw calls that are needed, each with its number and where it comes from.

Source: Linux UAPI headers linux/fs.h, linux/fiemap.h, linux/stat.h, linux/magic.h; the
numbers hold for x86-64 and every other architecture with the generic _IOC encoding.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass

BLKGETSIZE64 = 0x80081272  # size in bytes, u64
BLKSSZGET = 0x1268  # logical sector in bytes, int
BLKPBSZGET = 0x127B  # physical sector in bytes, unsigned int
BLKROGET = 0x125E  # 1 if the device takes no writes, int
BLKFLSBUF = 0x1261  # write back and drop the page cache of the device
BLKGETDISKSEQ = 0x80081280  # disk sequence number, u64; Linux 5.15
FS_IOC_GETFLAGS = 0x80086601  # attributes of a file, as lsattr shows them
FS_IOC_FIEMAP = 0xC020660B  # where a file lies

FS_COMPR_FL = 0x00000004
FS_NOCOW_FL = 0x00800000

FIEMAP_EXTENT_LAST = 0x1
FIEMAP_EXTENT_ENCODED = 0x8
FIEMAP_EXTENT_SHARED = 0x2000
FIEMAP_FLAG_SYNC = 0x1
_FIEMAP_HEAD = struct.Struct("=QQIIII")
_FIEMAP_EXTENT = struct.Struct("=QQQQQIIII")
_FIEMAP_BATCH = 256

STATX_MNT_ID = 0x1000
STATX_DIOALIGN = 0x2000
_STATX_BYTES = 256
_STATX_MASK_AT, _STATX_MNT_ID_AT, _STATX_DIO_MEM_AT, _STATX_DIO_OFFSET_AT = 0, 144, 152, 156
_AT_EMPTY_PATH = 0x1000
_AT_SYMLINK_NOFOLLOW = 0x100

_libc = ctypes.CDLL(None, use_errno=True)


@dataclass(frozen=True, slots=True)
class DirectAlignment:
    """What direct I/O wants: alignment in memory and on the medium, in bytes."""

    memory_bytes: int
    offset_bytes: int


@dataclass(frozen=True, slots=True)
class FileExtent:
    """A run of a file on its file system, in bytes, with the FIEMAP flags."""

    logical: int
    physical: int
    length: int
    flags: int


def _read_int(fd: int, request: int, width: int) -> int:
    """Return the unsigned integer of `width` bytes that an ioctl fills in."""
    return int.from_bytes(fcntl.ioctl(fd, request, bytes(width)), "little")


def device_size_bytes(fd: int) -> int:
    """Return the size of an open block device in bytes."""
    return _read_int(fd, BLKGETSIZE64, 8)


def logical_sector_bytes(fd: int) -> int:
    """Return the logical sector of an open block device in bytes."""
    return _read_int(fd, BLKSSZGET, 4)


def physical_sector_bytes(fd: int) -> int:
    """Return the physical sector of an open block device in bytes."""
    return _read_int(fd, BLKPBSZGET, 4)


def is_write_protected(fd: int) -> bool:
    """Say whether an open block device takes no writes; opening it for writing may succeed."""
    return _read_int(fd, BLKROGET, 4) != 0


def disk_sequence(fd: int) -> int | None:
    """Return the disk sequence number of an open disk; None before Linux 5.15."""
    try:
        return _read_int(fd, BLKGETDISKSEQ, 8)
    except OSError as err:
        if err.errno in {errno.ENOTTY, errno.EINVAL}:
            return None
        raise


def drop_device_cache(fd: int) -> bool:
    """Write back and drop what memory holds of a device; False when not permitted."""
    try:
        fcntl.ioctl(fd, BLKFLSBUF, 0)
    except PermissionError:
        return False
    return True


def file_attributes(fd: int) -> int:
    """Return the attribute flags of an open file; 0 where the file system has none."""
    try:
        return int.from_bytes(fcntl.ioctl(fd, FS_IOC_GETFLAGS, bytes(8))[:4], "little")
    except OSError as err:
        if err.errno in {errno.ENOTTY, errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS}:
            return 0
        raise


def file_extents(fd: int) -> Iterator[FileExtent]:
    """Yield where a file lies. OSError EOPNOTSUPP where the file system does not say."""
    start, is_last = 0, False
    while not is_last:
        batch = _extents_from(fd, start)
        yield from batch
        is_last = not batch or bool(batch[-1].flags & FIEMAP_EXTENT_LAST)
        if batch:
            start = max(start + 1, batch[-1].logical + batch[-1].length)


def _extents_from(fd: int, start: int) -> list[FileExtent]:
    """Return one batch of extents from byte `start` of the file on."""
    head = _FIEMAP_HEAD.pack(start, 2**64 - 1 - start, FIEMAP_FLAG_SYNC, 0, _FIEMAP_BATCH, 0)
    request = bytearray(head + bytes(_FIEMAP_BATCH * _FIEMAP_EXTENT.size))
    fcntl.ioctl(fd, FS_IOC_FIEMAP, request, True)  # noqa: FBT003 - the buffer is filled in place.
    mapped = _FIEMAP_HEAD.unpack_from(request)[3]
    return [
        FileExtent(logical, physical, length, flags)
        for logical, physical, length, _, _, flags, _, _, _ in (
            _FIEMAP_EXTENT.unpack_from(request, _FIEMAP_HEAD.size + n * _FIEMAP_EXTENT.size)
            for n in range(mapped)
        )
    ]


def _statx(dir_fd: int, name: bytes, flags: int, mask: int) -> bytes:
    """Return a raw struct statx, or OSError."""
    answer = ctypes.create_string_buffer(_STATX_BYTES)
    if _libc.statx(dir_fd, name, flags, mask, answer) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return answer.raw


def direct_alignment(fd: int) -> DirectAlignment | None:
    """Return what direct I/O on an open file or disk wants; None when the kernel does not say.

    Linux before 6.1 and some file systems do not say; zeros mean no direct I/O at all.
    """
    raw = _statx(fd, b"", _AT_EMPTY_PATH, STATX_DIOALIGN)
    if not struct.unpack_from("=I", raw, _STATX_MASK_AT)[0] & STATX_DIOALIGN:
        return None
    memory, offset = struct.unpack_from("=II", raw, _STATX_DIO_MEM_AT)
    return DirectAlignment(memory, offset)


def mount_id(fd: int) -> int | None:
    """Return the id of the mount that an open file lies on; None if the kernel does not say."""
    return _mount_id(_statx(fd, b"", _AT_EMPTY_PATH, STATX_MNT_ID))


def mount_id_at(folder: int, name: bytes) -> int | None:
    """Return the id of the mount that a name in an open folder lies on; follows no link."""
    return _mount_id(_statx(folder, name, _AT_SYMLINK_NOFOLLOW, STATX_MNT_ID))


def _mount_id(raw: bytes) -> int | None:
    """Return the mount id in a raw struct statx."""
    if not struct.unpack_from("=I", raw, _STATX_MASK_AT)[0] & STATX_MNT_ID:
        return None
    return int(struct.unpack_from("=Q", raw, _STATX_MNT_ID_AT)[0])


def file_system_magic(fd: int) -> int:
    """Return the magic number of the file system that an open file lies on (fstatfs)."""
    answer = ctypes.create_string_buffer(256)
    if _libc.fstatfs(fd, answer) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return int.from_bytes(answer.raw[: ctypes.sizeof(ctypes.c_long)], "little") & 0xFFFFFFFF
