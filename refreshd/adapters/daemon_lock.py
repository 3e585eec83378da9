"""One daemon for each state directory: two would both plan, and both ask for the same drives."""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path
from types import TracebackType
from typing import Self

from refreshd.errors import RecordFailedError, RefusedError
from refreshd.kernel.owners import open_or_make

NAME = "daemon.lock"
_MODE = 0o600


class DaemonLock:
    """flock on a file in the state directory, so that a killed daemon lets go by itself.

    Source: flock(2).
    """

    def __init__(self, state: Path) -> None:
        self._path = state / NAME
        self._handle = -1

    def __enter__(self) -> Self:
        """Claim the state directory, or raise RefusedError at once."""
        try:
            # Of root's making it would keep the service's own account out from then on.
            self._handle = open_or_make(self._path, os.O_RDWR, _MODE)
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as err:
            self._close()
            raise RefusedError(
                f"another daemon serves {self._path.parent}; stop it first, or name another state "
                "directory with --state"
            ) from err
        except OSError as err:
            self._close()
            cause = errno.errorcode.get(err.errno or 0, str(err.errno))
            raise RecordFailedError(f"{self._path}: {cause} opening the lock") from err
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
