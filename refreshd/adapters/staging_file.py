"""The staging ring: preallocated room on the server's own disk for copies of what is rewritten.

The copy is what makes a rewrite safe (I1), so the room is really allocated before anything is
touched, it is written and read with direct I/O, and a flush that failed is never asked again.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import NoReturn, Self

from refreshd.errors import StagingFailedError, StagingRefusedError, require
from refreshd.kernel import backing, direct_io, ioctls, owners
from refreshd.kernel.block_tree import Node
from refreshd.kernel.file_locks import try_lock

BLOCK_BYTES = 4096
"""Whole pages: fits direct I/O on every disk of 512 or 4096 byte sectors."""

_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_UNSUPPORTED = frozenset({errno.EINVAL, errno.EOPNOTSUPP})


class RingFile:
    """`ports.StagingFile` in one file, with a folder `kept` beside it."""

    def __init__(self, path: Path, fd: int, size_bytes: int) -> None:
        """Take over an open, locked file; use `open`."""
        self._path = path
        self._fd = fd
        self._size_bytes = size_bytes

    @classmethod
    def open(cls, path: Path, size_bytes: int) -> Self:
        """
        Open the ring at `path`, making it if there is none; what an existing one holds stays.

        Args:
            path: The file; its folder is made, readable by its owner alone.
            size_bytes: Room, a multiple of `BLOCK_BYTES`. `ring_bytes` tells that of a ring
                that an interrupted pass left.

        Raises:
            StagingRefusedError: No room, no access, another pass uses it, or the ring that is
                there has another size.

        """
        require(size_bytes > 0 and size_bytes % BLOCK_BYTES == 0, "the ring is whole blocks")
        try:
            _make_folder(path.parent)
            fd = _open_file(path)
        except OSError as err:
            _refuse(path, err)
        try:
            _lock(path, fd)
            _allocate(path, fd, size_bytes)
        except BaseException:
            os.close(fd)
            raise
        return cls(path, fd, size_bytes)

    @property
    def place(self) -> str:
        """The path of the ring."""
        return str(self._path)

    @property
    def size_bytes(self) -> int:
        """Room in bytes."""
        return self._size_bytes

    @property
    def block_bytes(self) -> int:
        """Offsets and lengths are multiples of this."""
        return BLOCK_BYTES

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from the disk, not from the page cache."""
        self._check(start, len(into))
        try:
            # Where direct I/O is not to be had (staging for show), clean pages would answer.
            os.posix_fadvise(self._fd, start, len(into), os.POSIX_FADV_DONTNEED)
            direct_io.read_fully(self._fd, start, into)
        except OSError as err:
            self._fail("reading", err)

    def write(self, start: int, data: memoryview) -> None:
        """Write all of `data`."""
        self._check(start, len(data))
        try:
            direct_io.write_fully(self._fd, start, data)
        except OSError as err:
            self._fail("writing", err)

    def flush(self) -> None:
        """Make all writes durable. Never retried: a second flush would succeed over lost data."""
        try:
            os.fsync(self._fd)
        except OSError as err:
            self._fail("flushing", err)

    def keep_aside(self, name: str, data: memoryview) -> str:
        """
        Store bytes durably outside of the ring, read them back, and return the path.

        Nothing that was kept before is replaced: a name that is taken gets a number.
        """
        require(name not in {"", ".", ".."} and Path(name).name == name, "kept bytes need a name")
        folder = self._path.parent / "kept"
        try:
            _make_folder(folder)
            path = _free_name(folder, name)
            _write_durably(path, data)
        except OSError as err:
            self._fail(f"keeping {name} beside", err)
        return str(path)

    def close(self) -> None:
        """Let go of the ring; what it holds stays. A second call does nothing."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _check(self, start: int, length: int) -> None:
        """Stop the program if a transfer is not whole blocks within the ring."""
        is_whole = start % BLOCK_BYTES == 0 and length % BLOCK_BYTES == 0 and start >= 0
        require(is_whole and start + length <= self._size_bytes, "a transfer leaves the ring")

    def _fail(self, doing: str, err: OSError) -> NoReturn:
        """Raise what every failure here is: the copy is not safe, so the drive is left alone."""
        raise StagingFailedError(
            f"{self._path}: {direct_io.error_name(err)} {doing} the staged copy; nothing more is "
            "written to the drive. Look at the server's disk and the room on it, or name another "
            "directory"
        ) from err


def ring_bytes(path: Path) -> int | None:
    """Return the size of the ring that is there; None if there is none."""
    try:
        return path.stat().st_size or None
    except FileNotFoundError:
        return None


def discard_ring(path: Path) -> None:
    """Remove a ring that no unfinished pass needs any more."""
    path.unlink(missing_ok=True)
    _sync_folder(path.parent)


def staging_objection(directory: str | Path, medium: str) -> str | None:
    """
    Say why copies of a medium may not be staged in a directory; None if they may.

    Refused on the medium itself (through partitions, loop devices and mappings), where memory
    or another machine keeps the bytes, and where direct I/O is not to be had.

    Args:
        directory: Need not exist yet; the nearest folder above it that does is looked at.
        medium: Path of the block device or image file that is to be rewritten.

    """
    place = _nearest(Path(os.path.realpath(directory)))
    below = backing.foundation(str(place))
    if below.memory_kind:
        return f"{directory} is kept in memory ({below.memory_kind}) and would not survive a cut"
    if below.network_kind:
        return (
            f"{directory} is on {below.network_kind}: another machine or program keeps it, and "
            "nobody here can vouch for its flush"
        )
    if _is_on(below, medium):
        return f"{directory} lies on {medium} itself: a fault there would take both copies"
    if not _has_direct_io(place):
        return f"the file system of {directory} ({below.kinds[:1]}) has no direct I/O"
    return None


def _is_on(below: backing.Foundation, medium: str) -> bool:
    """Say whether the medium is among what a directory stands on."""
    try:
        found = Path(medium).stat()
    except OSError:
        return False  # The adapter that opens the medium says so.
    if stat.S_ISBLK(found.st_mode):
        return Node(found.st_rdev).disk in below.nodes
    return (found.st_dev, found.st_ino) in below.files


def _nearest(path: Path) -> Path:
    """Return the path, or the nearest folder above it that exists."""
    return next(each for each in (path, *path.parents) if each.is_dir())


def _has_direct_io(folder: Path) -> bool:
    """Say whether files here can be read below the page cache; tried with a nameless file."""
    flags = os.O_TMPFILE | os.O_RDWR | os.O_DIRECT | os.O_CLOEXEC
    try:
        fd = os.open(folder, flags, 0o600)
    except OSError as err:
        # Without nameless files, or without the right to write, opening the ring will tell.
        return err.errno != errno.EINVAL
    try:
        said = ioctls.direct_alignment(fd)
    finally:
        os.close(fd)
    return said is None or said.offset_bytes > 0


def _make_folder(folder: Path) -> None:
    """Make a folder for its owner alone, durably."""
    if not folder.is_dir():
        owners.make_folders(folder, 0o700)
        _sync_folder(folder.parent)


def _open_file(path: Path) -> int:
    """Open the ring for direct I/O; without where the file system has none (see objection)."""
    flags = os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW
    os.close(owners.open_or_make(path, os.O_RDWR, 0o600))
    try:
        return os.open(path, flags | os.O_DIRECT)
    except OSError as err:
        if err.errno not in _UNSUPPORTED:
            raise
    return os.open(path, flags)


def _refuse(path: Path, err: OSError) -> NoReturn:
    """Raise a refusal for what went wrong before anything was touched."""
    raise StagingRefusedError(
        f"{path}: {direct_io.error_name(err)} making room for staged copies; nothing was touched. "
        "Make room, or name another directory"
    ) from err


def _lock(path: Path, fd: int) -> None:
    """Claim the ring against another pass."""
    if not try_lock(fd):
        raise StagingRefusedError(f"{path}: another pass uses this staging ring")


def _allocate(path: Path, fd: int, size_bytes: int) -> None:
    """Make every block of the ring real, and the file itself durable."""
    there = os.fstat(fd).st_size
    if there not in {0, size_bytes}:
        raise StagingRefusedError(
            f"{path}: the ring that is there has {there} bytes, not {size_bytes}; it may hold the "
            "only good copy of an interrupted rewrite: finish that pass, then it can be remade"
        )
    try:
        os.posix_fallocate(fd, 0, size_bytes)
        os.fsync(fd)
        _sync_folder(path.parent)
    except OSError as err:
        if err.errno in _NO_ROOM and there == 0:
            path.unlink(missing_ok=True)  # Leave no half-made ring, and give the room back.
        _refuse(path, err)


def _free_name(folder: Path, name: str) -> Path:
    """Return a path in the folder that nothing has; the ring's lock keeps others out."""
    number, path = 1, folder / name
    while path.exists() or path.is_symlink():
        number += 1
        path = folder / f"{name}-{number}"
    return path


def _write_durably(path: Path, data: memoryview) -> None:
    """Write a file so that its name never leads to less than all of it, and read it back."""
    temporary = path.with_name(f".{path.name}.part")
    temporary.unlink(missing_ok=True)
    fd = owners.make_file(temporary, os.O_RDWR, 0o600)
    try:
        direct_io.write_fully(fd, 0, data)
        os.fsync(fd)
        _compare(fd, data)
        temporary.rename(path)
        _sync_folder(path.parent)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    finally:
        os.close(fd)


def _compare(fd: int, data: memoryview) -> None:
    """Read a file back from its disk; OSError EIO if it differs."""
    os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    back = direct_io.aligned_buffer(max(1, len(data)))[: len(data)]
    direct_io.read_fully(fd, 0, back)
    if back != data:
        raise OSError(errno.EIO, "the kept bytes read back differently")


def _sync_folder(folder: Path) -> None:
    """Make names in a folder durable."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
