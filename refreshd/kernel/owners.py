"""Files and folders that belong to whom the directory belongs that they are made in.

The service runs as a user of its own. When root works on its state directory (an accession by
hand, say), what root makes there must belong to that user: otherwise the service could not go
on writing its own journal. SQLite does the same with the -wal and -shm files of a database.
Source: sqlite.org, os_unix.c, `robustFchown`; chown(2).

Only what this process itself has just made is given away, and by its handle: a name in a
directory of somebody else may lead to another file a moment later.
"""

from __future__ import annotations

import os
from pathlib import Path

_MAKE = os.O_CREAT | os.O_EXCL


def make_file(path: Path, flags: int, mode: int) -> int:
    """Make a file that is not there yet, and return its handle. Raises OSError.

    A file that cannot be given to whom it should belong is removed again.
    """
    handle = os.open(path, flags | _MAKE | os.O_CLOEXEC | os.O_NOFOLLOW, mode)
    try:
        _give(handle, path.parent)
    except BaseException:
        os.close(handle)
        path.unlink(missing_ok=True)
        raise
    return handle


def open_or_make(path: Path, flags: int, mode: int) -> int:
    """Open a file, or make it if it is not there, and return its handle. Raises OSError."""
    while True:
        try:
            return os.open(path, flags | os.O_CLOEXEC | os.O_NOFOLLOW)
        except FileNotFoundError:
            try:
                return make_file(path, flags, mode)
            except FileExistsError:
                if path.is_symlink():  # it leads nowhere, and stays so however often we ask
                    raise


def make_folders(path: Path, mode: int) -> None:
    """Make a folder and those above it, as far as they are not there. Raises OSError."""
    if not path.is_dir():
        make_folders(path.parent, mode)
        make_folder(path, mode)


def make_folder(path: Path, mode: int) -> None:
    """Make a folder if it is not there; the one above it must be. Raises OSError."""
    try:
        path.mkdir(mode=mode)
    except FileExistsError:
        if path.is_dir():
            return
        raise
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        _give(handle, path.parent)
    finally:
        os.close(handle)


def _give(handle: int, directory: Path) -> None:
    """Give an open file or folder to whom a directory belongs; only root can."""
    if os.geteuid() != 0:
        return
    wanted, made = directory.stat(), os.fstat(handle)
    if (wanted.st_uid, wanted.st_gid) != (made.st_uid, made.st_gid):
        os.fchown(handle, wanted.st_uid, wanted.st_gid)
