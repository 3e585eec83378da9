"""The journal's directory on a real file system, and the only place that knows its errnos."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from refreshd.errors import RecordFailedError
from refreshd.journal import first_record
from refreshd.kernel.owners import make_file, make_folder, open_or_make

_FILE_MODE = 0o640
_DIRECTORY_MODE = 0o750
_TORN = "torn"


@contextmanager
def _translated(doing: str, path: Path) -> Iterator[None]:
    """Name the errno, the file and what was being done with it."""
    try:
        yield
    except OSError as err:
        cause = errno.errorcode.get(err.errno or 0, str(err.errno))
        raise RecordFailedError(f"{path}: {cause} {doing}: {os.strerror(err.errno or 0)}") from err


@dataclass(slots=True)
class _Opened:
    """The file written to last. It stays open from write to sync.

    The kernel reports an error of writing back to handles that were open when it happened;
    one that is opened only for the sync might never hear of it. Source: Linux
    Documentation/filesystems/vfs.rst, "Handling errors during writeback".
    """

    name: str
    handle: int
    inode: tuple[int, int]


class FileJournalDirectory:
    """`JournalDirectory` over a directory of the server's disk."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._opened: _Opened | None = None

    @classmethod
    def made_at(cls, path: Path) -> FileJournalDirectory:
        """Make the directory if it is not there; durable, so that a first record is."""
        if not path.is_dir():
            with _translated("making the directory", path):
                make_folder(path, _DIRECTORY_MODE)
                _sync_directory(path.parent)
        return cls(path)

    def close(self) -> None:
        """Let go of the file that is open."""
        if self._opened is not None:
            os.close(self._opened.handle)
            self._opened = None

    def names(self) -> tuple[str, ...]:
        """Return the names of the journal's files; anything else in there is left alone."""
        with _translated("listing", self._path):
            found = [(first_record(path.name), path.name) for path in self._path.iterdir()]
        return tuple(name for _, name in sorted((n, name) for n, name in found if n is not None))

    def size_bytes(self, name: str) -> int:
        """Return how long a file is."""
        with _translated("looking at", self._path / name):
            return (self._path / name).stat().st_size

    def read(self, name: str, start: int, length: int) -> bytes:
        """Return `length` bytes from byte `start`, fewer only at the end of the file."""
        path = self._path / name
        with _translated("reading", path):
            handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
            try:
                return _read_fully(handle, start, length)
            finally:
                os.close(handle)

    def write(self, name: str, start: int, data: bytes) -> None:
        """Write all of `data`; what is still missing after a short write is written next."""
        handle = self._open(name)
        with _translated(f"writing {len(data)} bytes at byte {start}", self._path / name):
            rest = memoryview(data)
            while rest:
                written = os.pwrite(handle, rest, start)
                rest, start = rest[written:], start + written

    def truncate(self, name: str, size_bytes: int) -> None:
        """Cut a file off."""
        handle = self._open(name)
        with _translated(f"cutting off at byte {size_bytes}", self._path / name):
            os.ftruncate(handle, size_bytes)

    def sync(self, name: str) -> None:
        """Make a file's bytes and length durable, on the handle that wrote them."""
        handle = self._open(name)
        with _translated("syncing", self._path / name):
            os.fdatasync(handle)

    def create(self, name: str) -> None:
        """Make a new, empty file; it must not be there."""
        path = self._path / name
        with _translated("creating", path):
            os.close(make_file(path, os.O_RDWR, _FILE_MODE))

    def remove_empty(self, name: str) -> None:
        """Remove a file that holds nothing; one that holds something stays, with an error."""
        path = self._path / name
        if self.size_bytes(name) > 0:
            raise RecordFailedError(f"{path} is not empty and stays")
        with _translated("removing", path):
            path.unlink()

    def sync_names(self) -> None:
        """Make created and removed names durable.

        Without it a file may be synced, and after a power cut its name is not there.
        """
        _sync_directory(self._path)

    def keep_aside(self, name: str, data: bytes) -> None:
        """Store bytes in ``torn/``: written under another name, synced, then renamed."""
        directory = self._path / _TORN
        path = directory / name
        with _translated("keeping", path):
            make_folder(directory, _DIRECTORY_MODE)
            unfinished = directory / f"{name}.part"
            handle = open_or_make(unfinished, os.O_WRONLY | os.O_TRUNC, _FILE_MODE)
            with os.fdopen(handle, "wb", buffering=0) as file:
                rest = memoryview(data)
                while rest:
                    rest = rest[file.write(rest) :]
                os.fsync(file.fileno())
            unfinished.replace(path)
        _sync_directory(directory)
        _sync_directory(self._path)

    def _open(self, name: str) -> int:
        path = self._path / name
        with _translated("opening", path):
            found = path.stat()
            inode = (found.st_dev, found.st_ino)
            if self._opened is not None and self._opened.name == name:
                # An editor that saves by renaming leaves the old file without a name: what is
                # written there is synced, acknowledged, and gone.
                if self._opened.inode != inode:
                    raise RecordFailedError(
                        f"{path} was replaced by another file while it was in use; "
                        "run `refreshd journal verify`"
                    )
                return self._opened.handle
            self.close()
            handle = os.open(path, os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW)
            self._opened = _Opened(name, handle, inode)
            return handle


def _read_fully(handle: int, start: int, length: int) -> bytes:
    parts: list[bytes] = []
    while length > 0 and (part := os.pread(handle, length, start)):
        parts.append(part)
        start, length = start + len(part), length - len(part)
    return b"".join(parts)


def _sync_directory(path: Path) -> None:
    with _translated("syncing the directory", path):
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
