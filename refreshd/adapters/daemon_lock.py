"""One daemon for each state directory: two would both plan, and both ask for the same drives."""

from __future__ import annotations

import errno
from pathlib import Path
from types import TracebackType
from typing import Self

from refreshd.errors import RecordFailedError, RefusedError
from refreshd.kernel.file_locks import FileLock

NAME = "daemon.lock"
_MODE = 0o600


class DaemonLock:
    """A lock on a file in the state directory, so that a killed daemon lets go by itself."""

    def __init__(self, state: Path) -> None:
        self._path = state / NAME
        self._lock = FileLock(self._path, _MODE)

    def __enter__(self) -> Self:
        """Claim the state directory, or raise RefusedError at once."""
        try:
            # Of root's making it would keep the service's own account out from then on.
            is_ours = self._lock.take()
        except OSError as err:
            cause = errno.errorcode.get(err.errno or 0, str(err.errno))
            raise RecordFailedError(f"{self._path}: {cause} opening the lock") from err
        if not is_ours:
            raise RefusedError(
                f"another daemon serves {self._path.parent}; stop it first, or name another state "
                "directory with --state"
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
