"""What an error of SQLite means to the owner of the drives, and what to do about it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from refreshd.errors import CatalogueDamagedError, RecordFailedError

_DAMAGED = {
    sqlite3.SQLITE_CORRUPT: "its pages contradict each other",
    sqlite3.SQLITE_NOTADB: "it is no SQLite file",
    sqlite3.SQLITE_FORMAT: "it is no SQLite file",
}
_FAILED = {
    sqlite3.SQLITE_FULL: "the disk is full; make room, then run again",
    sqlite3.SQLITE_IOERR: "the disk reports an I/O error; see whether it is full, or failing",
    sqlite3.SQLITE_READONLY: "it may not be written; run as the user who owns it",
    sqlite3.SQLITE_PERM: "it may not be opened; run as the user who owns it",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened; look at the permissions of its directory",
    sqlite3.SQLITE_BUSY: "another process keeps it locked; run again when that is done",
    sqlite3.SQLITE_LOCKED: "another process keeps it locked; run again when that is done",
    sqlite3.SQLITE_NOMEM: "the server's memory is used up",
}
_PRIMARY_CODE = 0xFF
"""An extended result code holds the primary one in its low byte. Source: sqlite.org/rescode.html"""


def damaged(path: Path, why: str) -> CatalogueDamagedError:
    """Return the error that says that the file is damaged, and the two ways out."""
    return CatalogueDamagedError(
        f"{path}: the catalogue is damaged: {why}. Put the exported copy of it in its place, or"
        " move it away together with its -wal and -shm files; the journal brings it up again"
    )


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn errors of SQLite into ours, by result code; one that nobody named goes through."""
    try:
        yield
    except (DBAPIError, sqlite3.Error) as err:
        origin = err.orig if isinstance(err, DBAPIError) else err
        code = getattr(origin, "sqlite_errorcode", None)
        if not isinstance(code, int):
            raise
        if code & _PRIMARY_CODE in _DAMAGED:
            raise damaged(path, _DAMAGED[code & _PRIMARY_CODE]) from err
        if code & _PRIMARY_CODE in _FAILED:
            raise RecordFailedError(f"{path}: {_FAILED[code & _PRIMARY_CODE]}") from err
        raise
