"""How the catalogue file is checked, made, and brought to this version when it is opened.

The file is made under another name and renamed when it is complete, so that a power cut
leaves either no catalogue or a whole one, and an empty file is known as damage.

Alembic is imported only when a file must be made or brought up: it would cost every verb a
tenth of a second.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection

from refreshd.adapters.catalogue.connections import (
    IMMEDIATE,
    Opened,
    connect,
    for_reading,
    for_writing,
    in_memory,
)
from refreshd.adapters.catalogue.failures import damaged, translated
from refreshd.adapters.catalogue.health_tables import HEALTH_TABLES
from refreshd.adapters.catalogue.service_tables import SERVICE_TABLES
from refreshd.adapters.catalogue.tables import APPLICATION_ID, SMALL_TABLES, metadata
from refreshd.errors import CatalogueError, CatalogueTooNewError, RecordFailedError
from refreshd.kernel.owners import open_or_make

_HEADER_BYTES = 100
"""The file header. Source: sqlite.org/fileformat2.html section 1.3."""

_MODE = 0o640
_NOT_OURS = "it is an SQLite file, but no catalogue of refreshd"


@dataclass(frozen=True, slots=True)
class Versions:
    """The versions of the schema that this program knows, oldest first, and their migrations."""

    known: tuple[str, ...]
    directory: Path

    @property
    def newest(self) -> str:
        """The version that this program works with."""
        return self.known[-1]


VERSIONS = Versions(("0001", "0002", "0003"), Path(__file__).parent / "migrations")


def open_for_writing(path: Path, versions: Versions = VERSIONS) -> Opened:
    """
    Open the catalogue, make it if there is none, bring it up if it is older.

    Raises:
        CatalogueDamagedError: If the file is not a whole catalogue.
        CatalogueTooNewError: If a newer refreshd wrote it.
        RecordFailedError: If the disk refuses.
    """
    with translated(path):
        if not path.exists():
            _make(path, versions)
        _check_header(path)
        opened = for_writing(path)
        try:
            with opened.engine.connect() as connection:
                _check_pages(connection, path, ["PRAGMA quick_check"])
                version = _version(connection, path, versions)
            if version != versions.newest:
                _bring_up(opened, path, version, versions)
            with opened.engine.connect() as connection:
                _check_tables(connection, path)
        except BaseException:
            opened.close()
            raise
        return opened


def open_for_reading(path: Path, versions: Versions = VERSIONS) -> Opened:
    """
    Open the catalogue without writing anything; where there is none, an empty one in memory.

    Works in a directory that may not be written to. Raises as `open_for_writing`, and
    CatalogueError if an older version must be brought up first.
    """
    if not path.exists():
        opened = in_memory()
        with opened.engine.begin() as connection:
            metadata.create_all(connection)
        return opened
    with translated(path):
        _check_header(path)
        opened = for_reading(path)
        try:
            with opened.engine.connect() as connection:
                _demand_newest(_version(connection, path, versions), path, versions)
                _check_tables(connection, path)
                small = (
                    f"PRAGMA quick_check('{table.name}')"
                    for table in (*SMALL_TABLES, *SERVICE_TABLES, *HEALTH_TABLES)
                )
                _check_pages(connection, path, small)
        except BaseException:
            opened.close()
            raise
        return opened


def _check_header(path: Path) -> None:
    """Refuse a file that is none of ours before SQLite can change it.

    A cut in a checkpoint may leave a garbled first page, or a part of the last one, while the
    write-ahead file still holds them whole: then SQLite is asked, see `_check_pages`.
    """
    wal = path.with_name(f"{path.name}-wal")
    try:
        is_logged = wal.exists() and wal.stat().st_size > 0
        size = path.stat().st_size
    except OSError as err:
        raise RecordFailedError(f"{path}: it cannot be read: {err.strerror}") from err
    header = _header(path) if size >= _HEADER_BYTES else None
    if header is None:
        if not is_logged:
            raise damaged(path, "it does not begin as an SQLite file does, or its end is missing")
        return
    if header.application_id != APPLICATION_ID:
        raise damaged(path, _NOT_OURS)
    if not is_logged and size % header.page_bytes:
        raise damaged(path, "its end is missing")


@dataclass(frozen=True, slots=True)
class _Header:
    """What the first page of the file says, whatever the write-ahead file holds."""

    application_id: int
    page_bytes: int


def _header(path: Path) -> _Header | None:
    """
    Read the file header; None where SQLite knows no file of its own, or one that is cut off.

    By SQLite, never by a handle of our own: a process that closes any handle of a file loses
    all locks that it holds on it, and with them its write-ahead file to whoever closes next.
    Source: fcntl(2), POSIX locks; sqlite.org/howtocorrupt.html section 2.2.
    """
    try:
        with closing(connect(path, "mode=ro&immutable=1")) as connection:
            (application_id,) = connection.execute("PRAGMA application_id").fetchone()
            (page_bytes,) = connection.execute("PRAGMA page_size").fetchone()
    except sqlite3.DatabaseError as err:
        if err.sqlite_errorcode & 0xFF not in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT}:
            raise
        return None
    return _Header(int(application_id), int(page_bytes))


def _check_pages(connection: Connection, path: Path, checks: Iterable[str]) -> None:
    if connection.exec_driver_sql("PRAGMA application_id").scalar_one() != APPLICATION_ID:
        raise damaged(path, _NOT_OURS)
    for check in checks:
        first = connection.exec_driver_sql(check).scalars().first()
        if first != "ok":
            raise damaged(path, f"SQLite says: {first}")


def _version(connection: Connection, path: Path, versions: Versions) -> str:
    """Return the version of the file, once it is known to be one of ours."""
    names = "SELECT name FROM sqlite_schema WHERE type = 'table'"
    if "alembic_version" not in connection.exec_driver_sql(names).scalars().all():
        raise damaged(path, "it does not say its version")
    said = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalars().all()
    version = str(said[0]) if len(said) == 1 else ""
    if version not in versions.known:
        raise CatalogueTooNewError(
            f"{path}: version {version or '?'} of the catalogue; this refreshd knows up to"
            f" {versions.newest}. A newer refreshd wrote it: install that one or a later one"
        )
    return version


def _demand_newest(version: str, path: Path, versions: Versions) -> None:
    if version != versions.newest:
        raise CatalogueError(
            f"{path}: an older refreshd wrote this catalogue (version {version}); run a verb that"
            " writes, as the user who owns it, to bring it up"
        )


def _check_tables(connection: Connection, path: Path) -> None:
    names = "SELECT name FROM sqlite_schema WHERE type = 'table'"
    missing = set(metadata.tables) - set(connection.exec_driver_sql(names).scalars())
    if missing:
        raise damaged(path, f"it lacks {', '.join(sorted(missing))}")


# --- Making and bringing up


def _make(path: Path, versions: Versions) -> None:
    """Make an empty catalogue of the newest version, whole or not at all."""
    unfinished = path.with_name(f"{path.name}.unfinished")
    try:
        for ending in ("", "-wal", "-shm", "-journal"):
            unfinished.with_name(f"{unfinished.name}{ending}").unlink(missing_ok=True)
    except OSError as err:
        raise RecordFailedError(f"{unfinished}: it cannot be removed: {err.strerror}") from err
    _make_empty(unfinished)
    with closing(connect(unfinished, "mode=rwc")) as connection:
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    opened = for_writing(unfinished)
    try:
        _migrate(opened, versions)
    finally:
        opened.close()
    with closing(connect(unfinished, "mode=rw")) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")  # puts everything into the one file
    try:
        _sync(unfinished)
        unfinished.rename(path)
        _sync(path.parent)
    except OSError as err:
        raise RecordFailedError(f"{path}: it cannot be made: {err.strerror}") from err


def _bring_up(opened: Opened, path: Path, version: str, versions: Versions) -> None:
    """Keep a copy of the older file, then migrate in one transaction."""
    kept = path.with_name(f"{path.name}.version-{version}")
    _make_empty(kept)
    with closing(connect(path, "mode=ro")) as source, closing(sqlite3.connect(kept)) as copy:
        source.backup(copy)
    try:
        _sync(kept)
        _sync(path.parent)
    except OSError as err:
        raise RecordFailedError(f"{kept}: the copy is not durable: {err.strerror}") from err
    _migrate(opened, versions)


def _make_empty(path: Path) -> None:
    """Make a file for SQLite to fill, so that it belongs to whom its directory belongs."""
    try:
        os.close(open_or_make(path, os.O_RDWR, _MODE))
    except OSError as err:
        raise RecordFailedError(f"{path}: it cannot be made: {err.strerror}") from err


def _migrate(opened: Opened, versions: Versions) -> None:
    from alembic import command  # noqa: PLC0415 - see the module's docstring
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(versions.directory).replace("%", "%%"))
    with (
        opened.engine.connect().execution_options(**IMMEDIATE) as connection,
        connection.begin(),
    ):
        config.attributes["connection"] = connection
        command.upgrade(config, versions.newest)


def _sync(path: Path) -> None:
    """Make a file or the names in a directory durable."""
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
