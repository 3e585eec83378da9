"""Connections to the catalogue file: durable ones for writing, harmless ones for reading.

A catalogue in WAL mode cannot simply be read in a directory that may not be written to, since
SQLite wants to make its -shm file there. Three ways are tried, in this order: the plain one,
which works beside a running service; reading the file as one that nobody changes, when no
write-ahead file is left; else a copy of both files in a private directory, where SQLite can
put them together. Source: sqlite.org/wal.html, "Read-Only Databases"; tried with 3.40.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import QueuePool, StaticPool

from refreshd.errors import CatalogueError, RecordFailedError

BUSY_TIMEOUT_S = 30.0
"""How long a writer waits for another one; a transaction of ours takes milliseconds."""

WAL_BYTES_KEPT = 16 * 1024 * 1024
"""The write-ahead file is cut back to this after a large transaction."""

IMMEDIATE = {"begin": "BEGIN IMMEDIATE"}
"""Execution options of a transaction that will write: it waits for the lock at its start, not
in its middle, where SQLite would have to refuse."""

SECTORS_APART = "psow=0"
"""Keeps acknowledged transactions out of the sector that the next one is written to.

SQLite takes for granted that a write disturbs no byte beside those it writes. We do not: a
cut may leave the whole physical sector unreadable, 4,096 bytes of it. Without this, a cut in
one commit was seen to lose the one before. Source: sqlite.org/psow.html; tests/crash.
"""

_SYNCHRONOUS_FULL = 2
"""What PRAGMA synchronous answers for FULL. Source: sqlite.org/pragma.html#pragma_synchronous"""

_LIKE_NO_WRITE = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
"""Primary result codes of a directory that may not be written to. Source: tried with 3.40."""


def _nothing() -> None:
    pass


@dataclass(frozen=True, slots=True)
class Opened:
    """An open catalogue file. `check_unchanged` is asked after each reading."""

    engine: Engine
    check_unchanged: Callable[[], None] = _nothing
    clean_up: Callable[[], None] = field(default=_nothing)

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()
        self.clean_up()


def connect(path: Path, parameters: str) -> sqlite3.Connection:
    """Open a connection whose transactions begin where we say, not where Python guesses."""
    return sqlite3.connect(
        f"file:{quote(str(path.absolute()))}?{parameters}",
        uri=True,
        timeout=BUSY_TIMEOUT_S,
        isolation_level=None,
        check_same_thread=False,
    )


def for_writing(path: Path) -> Opened:
    """Return connections that make every transaction durable (I5), or RecordFailedError."""

    def durable() -> sqlite3.Connection:
        connection = connect(path, f"mode=rw&{SECTORS_APART}")
        try:
            _demand(connection, path, ("journal_mode", "WAL", "wal"))
            _demand(connection, path, ("synchronous", "FULL", _SYNCHRONOUS_FULL))
            _demand(connection, path, ("foreign_keys", "ON", 1))
            connection.execute(f"PRAGMA journal_size_limit = {WAL_BYTES_KEPT}")
        except BaseException:
            connection.close()
            raise
        return connection

    return Opened(_engine(durable))


def _demand(connection: sqlite3.Connection, path: Path, wish: tuple[str, str, str | int]) -> None:
    """Set a pragma and look whether it took effect: SQLite passes over what it cannot do."""
    pragma, value, answer = wish
    connection.execute(f"PRAGMA {pragma} = {value}")
    (given,) = connection.execute(f"PRAGMA {pragma}").fetchone()
    if given != answer:
        raise RecordFailedError(
            f"{path}: SQLite answers {given} to {pragma} = {value}, so a power cut could lose what"
            " was acknowledged; keep the state directory on a local file system"
        )


def for_reading(path: Path) -> Opened:
    """Return connections that change nothing, whether or not the directory may be written to."""
    try:
        with closing(connect(path, "mode=ro")) as probe:
            probe.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError as err:
        if err.sqlite_errorcode & 0xFF not in _LIKE_NO_WRITE:
            raise
        return _reading_without_writing(path)
    return Opened(_engine(lambda: connect(path, "mode=ro")))


def _reading_without_writing(path: Path) -> Opened:
    wal = path.with_name(f"{path.name}-wal")
    if not wal.exists() or wal.stat().st_size == 0:
        before = path.stat()

        def check_unchanged() -> None:
            now = path.stat()
            same = (now.st_ino, now.st_size, now.st_mtime_ns)
            if same != (before.st_ino, before.st_size, before.st_mtime_ns):
                raise CatalogueError(f"{path} was changed while it was read; run this again")

        return Opened(_engine(lambda: connect(path, "mode=ro&immutable=1")), check_unchanged)
    room = tempfile.TemporaryDirectory(prefix="refreshd-catalogue-")
    copy = Path(room.name) / path.name
    shutil.copyfile(path, copy)
    shutil.copyfile(wal, copy.with_name(wal.name))
    return Opened(_engine(lambda: connect(copy, "mode=rw")), clean_up=room.cleanup)


def in_memory() -> Opened:
    """Return one connection to an empty file that exists in memory only."""
    return Opened(_engine(lambda: connect(Path("empty"), "mode=memory"), is_shared=True))


def _engine(creator: Callable[[], sqlite3.Connection], *, is_shared: bool = False) -> Engine:
    pool = StaticPool if is_shared else QueuePool
    engine = create_engine("sqlite+pysqlite://", creator=creator, poolclass=pool)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(connection.get_execution_options().get("begin", "BEGIN"))

    return engine
