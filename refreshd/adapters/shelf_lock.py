"""The lock of the shelf: flock on one file, so that a killed process lets go by itself."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path
from types import TracebackType

from refreshd.errors import RecordFailedError, RefusedError
from refreshd.kernel.file_locks import try_lock
from refreshd.kernel.owners import open_or_make
from refreshd.ports import Clock

WAIT_S_MAX = 60.0
"""Bringing up a catalogue from a gigabyte of journal takes this long; a record milliseconds."""

_RETRY_S = 0.02
_MODE = 0o640


class FlockShelfLock:
    """`ShelfLock` between processes, and between the threads of one.

    flock holds for an open file, not for a thread; the lock beside it does the rest. Not for
    a state directory on a network file system, where flock may hold on one machine only.
    Source: flock(2).
    """

    def __init__(self, path: Path, clock: Clock, wait_s_max: float = WAIT_S_MAX) -> None:
        self._path = path
        self._clock = clock
        self._wait_s_max = wait_s_max
        self._threads = threading.Lock()
        self._handle: int | None = None

    def __enter__(self) -> None:
        """Wait for the lock, or raise RefusedError after `wait_s_max`."""
        began = self._clock.elapsed_s()
        while not self._threads.acquire(blocking=False):
            self._wait(began)
        try:
            self._handle = self._claimed(began)
        except BaseException:
            self._threads.release()
            raise

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let the next one in."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
        self._threads.release()

    def _claimed(self, began: float) -> int:
        handle = self._open()
        try:
            while not try_lock(handle):
                self._wait(began)
        except BaseException:
            os.close(handle)
            raise
        return handle

    def _open(self) -> int:
        try:
            try:
                return open_or_make(self._path, os.O_RDWR, _MODE)
            except OSError as err:
                if err.errno != errno.EROFS:
                    raise
            # A disk that turned read-only because it fails is what an export is needed from.
            return os.open(self._path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        except OSError as err:
            cause = errno.errorcode.get(err.errno or 0, str(err.errno))
            raise RecordFailedError(f"{self._path}: {cause} opening the lock") from err

    def _wait(self, began: float) -> None:
        if self._clock.elapsed_s() - began >= self._wait_s_max:
            raise RefusedError(
                f"another refreshd has held {self._path} for {self._wait_s_max:.0f} seconds; "
                "let it finish, then run again"
            )
        self._clock.sleep(_RETRY_S)
