"""flock: a claim on an open file that the kernel drops when its process ends. Source: flock(2)."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from refreshd.kernel.owners import open_or_make


def try_lock(handle: int) -> bool:
    """Claim an open file for this handle alone; return False where another handle has it."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


class FileLock:
    """A file that is made to be claimed.

    It stays behind: removing it would let two processes lock two files of one name.
    """

    def __init__(self, path: Path, mode: int) -> None:
        self._path = path
        self._mode = mode
        self._handle = -1

    def take(self) -> bool:
        """Claim it; return False where somebody else has it. Raises OSError as the kernel does."""
        handle = open_or_make(self._path, os.O_RDWR, self._mode)
        try:
            is_ours = try_lock(handle)
        except BaseException:
            os.close(handle)
            raise
        if is_ours:
            self._handle = handle
        else:
            os.close(handle)
        return is_ours

    def let_go(self) -> None:
        """Let the next one in."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
