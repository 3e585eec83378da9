"""The lock of one drive: two processes never work on the same drive at the same time."""

from __future__ import annotations

import errno
from pathlib import Path
from types import TracebackType
from typing import Self

from refreshd.errors import DriveAtWorkError, RecordFailedError
from refreshd.kernel.file_locks import FileLock
from refreshd.kernel.owners import make_folder
from refreshd.quantities import DriveNumber

_FOLDER_MODE = 0o700
_FILE_MODE = 0o600


class DriveLock:
    """A lock on a file of its own, so that a killed process lets go by itself."""

    def __init__(self, folder: Path, number: DriveNumber) -> None:
        self._path = folder / f"{number}.lock"
        self._number = number
        self._lock = FileLock(self._path, _FILE_MODE)

    def __enter__(self) -> Self:
        """Claim the drive, or raise DriveAtWorkError at once."""
        try:
            make_folder(self._path.parent, _FOLDER_MODE)
            is_ours = self._lock.take()
        except OSError as err:
            cause = errno.errorcode.get(err.errno or 0, str(err.errno))
            raise RecordFailedError(f"{self._path}: {cause} locking {self._number}") from err
        if not is_ours:
            raise DriveAtWorkError(
                f"another refreshd is at work on {self._number}, or on a copy of what it holds; "
                "wait until it has finished"
            )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let the next one in."""
        self._lock.let_go()
