"""The lock of one drive: two processes never work on the same drive at the same time."""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path
from types import TracebackType
from typing import Self

from refreshd.errors import DriveAtWorkError, RecordFailedError
from refreshd.kernel.owners import make_folder, open_or_make
from refreshd.quantities import DriveNumber

_FOLDER_MODE = 0o700
_FILE_MODE = 0o600


class DriveLock:
    """flock on a file of its own, so that a killed process lets go by itself.

    The file stays behind: removing it would let two processes lock two files of one name.
    Source: flock(2).
    """

    def __init__(self, folder: Path, number: DriveNumber) -> None:
        self._path = folder / f"{number}.lock"
        self._number = number
        self._handle = -1

    def __enter__(self) -> Self:
        """Claim the drive, or raise DriveAtWorkError at once."""
        try:
            make_folder(self._path.parent, _FOLDER_MODE)
            self._handle = open_or_make(self._path, os.O_RDWR, _FILE_MODE)
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as err:
            self._close()
            raise DriveAtWorkError(
                f"another refreshd is at work on {self._number}, or on a copy of what it holds; "
                "wait until it has finished"
            ) from err
        except OSError as err:
            self._close()
            cause = errno.errorcode.get(err.errno or 0, str(err.errno))
            raise RecordFailedError(f"{self._path}: {cause} locking {self._number}") from err
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let the next one in."""
        self._close()

    def _close(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
