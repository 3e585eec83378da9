"""A consistent copy of catalogue and journal, made while a pass may be running.

The lock of the shelf is held only for the instant in which the lengths of the journal's files
are noted and a snapshot of the catalogue is opened. From then on nothing can change what is
copied: the journal only grows at its end, and SQLite keeps the snapshot until it is closed.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from refreshd.errors import (
    CatalogueDamagedError,
    JournalTruncatedError,
    RecordFailedError,
    UsageError,
)
from refreshd.journal import first_record
from refreshd.quantities import MIB
from refreshd.register import ROW_CHUNKS
from refreshd.verification import Line, Verification, verify

MANIFEST = "manifest-sha256.txt"
README = "README.txt"

_SECTION = "journal"
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_PRIMARY_CODE = 0xFF  # Source: sqlite.org/rescode.html
_BUSY_TIMEOUT_S = 30.0

_TEXT = """\
A copy of the record of a shelf of drives
=========================================

Made by refreshd at {at} UTC.

What this is
  {catalogue}  what is known of each drive: where it lies, when it was last read and
                    rewritten, the digest of each of its chunks. An SQLite database.
  journal/          everything that ever happened, one line each, in JSON. Each line names
                    the SHA-256 of the line before, so a changed line shows.
                    This copy holds {records} records; the catalogue contains them up to
                    record {last}.
  {manifest}
                    the SHA-256 of each file. If it is missing, this copy is unfinished.
  None of the drives' content is here, only digests, by which it can be told whether the
  content is still what it was.

How to look whether this copy is whole, with nothing but coreutils
  cd to this directory, then:  sha256sum -c {manifest}

How to check a line of the journal without refreshd
  Its "digest" is the SHA-256 of the line without that member and without the line end (RFC
  8785 canonical JSON), its "previous" the digest of the line before. Line 5 of a file:
    sed -n 5p FILE | sed 's/"digest":"[0-9a-f]*",//' | tr -d '\\n' | sha256sum

How to check a drive without refreshd
  Its chunks are as long as chunk_bytes in the table drives says, the last may be shorter.
  The digest of each is its XXH3-128 (seed 0, most significant byte first). The table
  digest_rows holds {row_chunks} of them to a row, 16 bytes each; 16 zero bytes: none recorded.
  Holes of an image file count as zeros. Chunk 5 of drive K07 with chunks of 4194304 bytes,
  with the programs sqlite3 and xxhsum; the two must say the same:
    sqlite3 -readonly {catalogue} "
      SELECT lower(hex(substr(packed, 1 + 16 * (5 % {row_chunks}), 16))) FROM digest_rows
      WHERE drive = 'K07' AND digest_rows.row = 5 / {row_chunks}"
    dd if=DEVICE bs=4194304 skip=5 count=1 status=none | xxhsum -H128

How to restore it
  1. Let no refreshd run. Move the old state directory aside, do not delete it: its folder
     staging (or the directory that the policy names) may hold the only good copy of what an
     interrupted refresh was writing.
  2. Make a new state directory and copy {catalogue} and journal/ into it, and the
     folder staging of the old one, if it survived.
  3. refreshd --state DIRECTORY journal verify
  4. Records that were written after this copy was made are in the old state directory, if
     its journal survived: then copy that journal instead of this one. The catalogue is
     brought up from it before any drive is written to.

Keep a copy away from the server, and make a new one after each pass.
"""


@dataclass(frozen=True, slots=True)
class Sources:
    """What is exported, and the state directory in which no export may lie."""

    state: Path
    catalogue: Path
    journal: Path


@dataclass(frozen=True, slots=True)
class Exported:
    """What an export holds. `last_record` is the last one that the catalogue contains."""

    directory: Path
    files: int
    total_bytes: int
    records: int
    last_record: int | None
    verification: Verification


@dataclass(frozen=True, slots=True)
class _Part:
    """A file of the journal, and how much of it there was."""

    name: str  # below the journal's directory
    length: int


def export(
    sources: Sources, target: Path, lock: AbstractContextManager[object], now: datetime
) -> Exported:
    """
    Copy catalogue and journal into the empty or new directory `target`, and verify the copy.

    What was wrong with the journal before is copied as it is and told in `verification`.

    Raises:
        UsageError: The target is not empty, or lies in the state directory, or there is
            nothing to export.
        CatalogueDamagedError: The catalogue cannot be read.
        JournalTruncatedError: The copied journal lacks the record that the catalogue names.
        RecordFailedError: A disk failed. Nothing is left in `target`.
    """
    _refuse(sources, target)
    with ExitStack() as opened:
        with _translated(sources.state), lock:
            parts = _parts(sources.journal)
            snapshot = opened.enter_context(closing(_snapshot(sources.catalogue)))
        with _translated(target), _undone_on_failure(target):
            target.mkdir(parents=True, exist_ok=True)
            for part in parts:
                _copy_part(sources.journal / part.name, target / _SECTION / part.name, part.length)
            _copy_catalogue(snapshot, target / sources.catalogue.name)
            return _finish(sources, target, [part.name for part in parts], now)


def _refuse(sources: Sources, target: Path) -> None:
    """Refuse a target before anything is made."""
    inner, outer = target.resolve(), sources.state.resolve()
    if inner == outer or outer in inner.parents:
        raise UsageError(
            f"{target} lies in the state directory {sources.state}; a copy there would be lost"
            " together with it. Name a directory on another disk"
        )
    if not sources.catalogue.is_file():
        raise UsageError(f"{sources.catalogue}: there is no catalogue to export yet")
    with _translated(target):
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise UsageError(f"{target} is not empty; name an empty or a new directory")


@contextmanager
def _translated(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as err:
        cause = errno.errorcode.get(err.errno or 0, str(err.errno))
        place = err.filename or path
        raise RecordFailedError(f"{place}: {cause} while exporting; mend it and run again") from err
    except sqlite3.DatabaseError as err:
        if getattr(err, "sqlite_errorcode", 0) & _PRIMARY_CODE in _DAMAGED:
            raise CatalogueDamagedError(
                f"{path}: the catalogue is damaged ({err}) and cannot be exported; put an earlier"
                " export of it in its place, the journal brings it up"
            ) from err
        raise RecordFailedError(f"{path}: SQLite says while exporting: {err}") from err


@contextmanager
def _undone_on_failure(target: Path) -> Iterator[None]:
    """Leave nothing that looks like an export when it could not be finished."""
    try:
        yield
    except BaseException:
        if target.is_dir():
            for made in target.iterdir():
                shutil.rmtree(made) if made.is_dir() else made.unlink()
        raise


# --- Under the lock


def _parts(journal: Path) -> tuple[_Part, ...]:
    """Note the journal's files and lengths, pieces that were kept aside included."""
    names = [path.name for path in journal.iterdir() if first_record(path.name) is not None]
    aside = journal / "torn"
    if aside.is_dir():
        names += [f"{aside.name}/{path.name}" for path in aside.iterdir() if path.is_file()]
    sized = (_Part(name, (journal / name).stat().st_size) for name in sorted(names))
    return tuple(part for part in sized if part.length > 0)


def _snapshot(catalogue: Path) -> sqlite3.Connection:
    """Open a view of the catalogue that stays as it is now until it is closed."""
    try:
        return _view(catalogue, "mode=ro")
    except sqlite3.OperationalError:
        wal = catalogue.with_name(f"{catalogue.name}-wal")
        if os.access(catalogue.parent, os.W_OK) or (wal.exists() and wal.stat().st_size > 0):
            raise
        # SQLite makes files of its own beside a catalogue, which a read-only disk refuses.
        # Nobody else can write there either, and the catalogue was closed as a whole.
        return _view(catalogue, "mode=ro&immutable=1")


def _view(catalogue: Path, how: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"file:{quote(str(catalogue.absolute()))}?{how}",
        uri=True,
        timeout=_BUSY_TIMEOUT_S,
        isolation_level=None,
    )
    try:
        connection.execute("BEGIN")
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except BaseException:
        connection.close()
        raise
    return connection


# --- Copying


def _copy_part(source: Path, copy: Path, length: int) -> None:
    copy.parent.mkdir(parents=True, exist_ok=True)
    with source.open("rb") as from_file, copy.open("xb") as to_file:
        left = length
        while left > 0:
            block = from_file.read(min(MIB, left))
            if not block:
                raise JournalTruncatedError(
                    f"{source} became shorter while it was copied; somebody changes the journal"
                )
            to_file.write(block)
            left -= len(block)
        to_file.flush()
        os.fsync(to_file.fileno())


def _copy_catalogue(snapshot: sqlite3.Connection, copy: Path) -> None:
    """Copy page by page, into one file that needs no write-ahead file beside it."""
    with closing(sqlite3.connect(copy, isolation_level=None)) as connection:
        snapshot.backup(connection)
        connection.execute("PRAGMA journal_mode = DELETE")


def _finish(sources: Sources, target: Path, names: list[str], now: datetime) -> Exported:
    """Verify the copy, explain it, and make all of it durable; the manifest comes last."""
    head = _head(target / sources.catalogue.name)
    found = verify(_lines(target / _SECTION, names), head)
    if head is not None and (found.head is None or found.head[0] < head[0]):
        raise JournalTruncatedError(
            f"the catalogue contains record {head[0]}, but the journal ends before it: it was"
            " truncated. Restore the journal from an earlier export"
        )
    text = _TEXT.format(
        at=now.astimezone(UTC).strftime("%Y-%m-%d %H:%M"),
        row_chunks=ROW_CHUNKS,
        catalogue=sources.catalogue.name,
        records=found.records,
        last="0 (none)" if head is None else head[0],
        manifest=MANIFEST,
    )
    _write(target / README, text)
    files = sorted(path.relative_to(target) for path in target.rglob("*") if path.is_file())
    _write(target / MANIFEST, "".join(f"{_sha256(target / name)}  {name}\n" for name in files))
    everything = (target, target.parent, *target.rglob("*"))
    for path in everything:
        _sync(path)
    return Exported(
        directory=target,
        files=len(files) + 1,
        total_bytes=sum(path.stat().st_size for path in target.rglob("*") if path.is_file()),
        records=found.records,
        last_record=None if head is None else head[0],
        verification=found,
    )


def _head(catalogue: Path) -> tuple[int, str] | None:
    """Return number and digest of the last record that the copied catalogue contains."""
    with closing(sqlite3.connect(catalogue)) as connection:
        (said,) = connection.execute("PRAGMA quick_check").fetchone()
        if said != "ok":
            raise CatalogueDamagedError(
                f"{catalogue}: SQLite says of the copied catalogue: {said}; put an earlier export"
                " of it in its place, the journal brings it up"
            )
        row = connection.execute("SELECT sequence, digest FROM journal_head").fetchone()
    return None if row is None else (int(row[0]), str(row[1]))


def _lines(journal: Path, names: list[str]) -> Iterator[Line]:
    """Yield every line of the copied journal, in order."""
    firsts = sorted((first, name) for name in names if (first := first_record(name)) is not None)
    for _, name in firsts:
        with (journal / name).open("rb") as file:
            for number, data in enumerate(file, 1):
                yield Line(name, number, data)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _write(path: Path, text: str) -> None:
    with path.open("x", encoding="utf-8") as file:
        file.write(text)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
