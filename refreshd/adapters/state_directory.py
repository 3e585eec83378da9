"""The state directory: made for its owner alone, or looked at without writing anything."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import NoReturn

from refreshd.errors import RecordFailedError, RefusedError, UsageError

_MODE = 0o700
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM, errno.EROFS})


def make_state_directory(path: Path) -> None:
    """
    Make the state directory and what is above it, readable by its owner alone.

    Raises:
        UsageError: Something that is no directory stands there.
        RefusedError: It may not be made or used.
        RecordFailedError: The disk refuses.

    """
    try:
        path.mkdir(mode=_MODE, parents=True, exist_ok=True)
        with os.scandir(path):
            pass
    except OSError as err:
        _say(path, err)
    if not os.access(path, os.W_OK | os.X_OK):
        raise RefusedError(f"{path}: may not be written to; {_OTHER}")


def look_at_state_directory(path: Path) -> bool:
    """Say whether there is a state directory that may be read; it is not made.

    Raises as `make_state_directory`.
    """
    try:
        with os.scandir(path):
            return True
    except FileNotFoundError:
        return False
    except OSError as err:
        _say(path, err)


_OTHER = "run as the user who owns it, or name another state directory with --state"


def _say(path: Path, err: OSError) -> NoReturn:
    name = errno.errorcode.get(err.errno or 0, str(err.errno))
    if err.errno in {errno.ENOTDIR, errno.EEXIST, errno.ENAMETOOLONG, errno.ELOOP}:
        raise UsageError(
            f"{path}: no directory can be there ({name}); name another one with --state"
        ) from err
    if err.errno in _FORBIDDEN:
        raise RefusedError(f"{path}: may not be used ({name}); {_OTHER}") from err
    raise RecordFailedError(
        f"{path}: {name} using the state directory; look at the disk it lies on"
    ) from err
