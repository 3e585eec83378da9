"""The catalogue: what the journal adds up to, in one SQLite file.

Every transaction carries number and digest of the last journal entry that it contains (I5):
after a power cut the file holds a whole number of transactions, each acknowledged one among
them, and says itself which entry was the last.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, func, select
from sqlalchemy.dialects.sqlite import insert

from refreshd.adapters.catalogue.connections import IMMEDIATE, Opened
from refreshd.adapters.catalogue.failures import translated
from refreshd.adapters.catalogue.opening import open_for_reading, open_for_writing
from refreshd.adapters.catalogue.service_tables import (
    deliveries,
    delivery_of,
    pause_of,
    pauses,
    policies_taken,
    slip_of,
    slips,
    stay_of,
    stays,
    strangers,
)
from refreshd.adapters.catalogue.shelf_rows import read_shelf_rows
from refreshd.adapters.catalogue.sql_book import SqlBook
from refreshd.adapters.catalogue.tables import (
    card_of,
    drives,
    findings,
    journal_head,
)
from refreshd.book import Register, last_rewrite
from refreshd.cards import (
    Delivery,
    DriveCard,
    Evidence,
    Finding,
    LastRewrite,
    PassHistory,
    PassState,
    Pause,
    ShelfRow,
    Slip,
    Stay,
)
from refreshd.chain import evidence_digest
from refreshd.errors import UnknownDriveError, UsageError
from refreshd.events import Entry
from refreshd.health_cards import HealthEntry, PassWatch
from refreshd.proving_cards import Certificate, Proving
from refreshd.quantities import DriveNumber, FindingId, PassKind, ProvingId, SlipNumber
from refreshd.register import read_run, rows_of, unpack_days
from refreshd.tally import add, check_follows


class SqliteCatalogue:
    """`ports.CatalogueStore` in a file. May be read from several threads."""

    def __init__(self, path: Path, opened: Opened) -> None:
        self._path = path
        self._opened = opened

    @classmethod
    def for_writing(cls, path: Path) -> Self:
        """Open or make the file. Raises as `opening.open_for_writing`."""
        return cls(path, open_for_writing(path))

    @classmethod
    def for_reading(cls, path: Path) -> Self:
        """Open the file without changing anything; an empty catalogue if there is none."""
        return cls(path, open_for_reading(path))

    def close(self) -> None:
        """Let go of the file."""
        self._opened.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        """Give one consistent view of the file."""
        with translated(self._path):
            with self._opened.engine.connect() as connection:
                yield connection
            self._opened.check_unchanged()

    @contextmanager
    def _reading_drive(self, number: DriveNumber) -> Iterator[tuple[SqlBook, DriveCard]]:
        """Give the rows of a drive that is known, or raise UnknownDriveError."""
        with self._reading() as connection:
            book = SqlBook(connection, self._path)
            card = book.card(number)
            if card is None:
                raise UnknownDriveError(f"{number}: no such drive; `refreshd shelf` lists all")
            yield book, card

    # --- Write side

    def head(self) -> tuple[int, str] | None:
        """Return sequence and digest of the last journal entry it contains."""
        with self._reading() as connection:
            return _head(connection)

    def apply(
        self, entries: Sequence[Entry], before_commit: Callable[[], None] | None = None
    ) -> None:
        """Add entries up in one durable transaction that carries the last one's number (I5).

        What `before_commit` raises undoes the transaction and goes through unchanged.
        """
        if not entries:
            return
        with (
            translated(self._path),
            self._opened.engine.connect().execution_options(**IMMEDIATE) as connection,
            connection.begin(),
        ):
            check_follows(_head(connection), entries)
            book = SqlBook(connection, self._path)
            for entry in entries:
                add(entry, book)
            _put_head(connection, entries[-1])
            if before_commit is not None:
                before_commit()

    # --- Read side

    def drives(self) -> tuple[DriveCard, ...]:
        """Return all drives in care, by number."""
        wanted = select(drives).where(drives.c.withdrawn_on.is_(None)).order_by(drives.c.number)
        with self._reading() as connection:
            return tuple(map(card_of, connection.execute(wanted)))

    def drive(self, number: DriveNumber) -> DriveCard:
        """Return one card, withdrawn or not, or raise UnknownDriveError."""
        with self._reading_drive(number) as (_, card):
            return card

    def digests(self, number: DriveNumber, first: int, count: int) -> bytes:
        """Return `count` recorded digests, packed; NO_DIGEST where none is recorded."""
        return self._run(Register.DIGESTS, number, first, count)

    def recorded_chunks(self, number: DriveNumber) -> int:
        """Return how many chunks from the start have been recorded."""
        with self._reading_drive(number) as (book, _):
            return book.recorded(number)

    def written_days(self, number: DriveNumber, first: int, count: int) -> array[int]:
        """Return, per chunk, the day of its last proved rewrite as a proleptic ordinal."""
        return unpack_days(self._run(Register.DAYS, number, first, count))

    def _run(self, register: Register, number: DriveNumber, first: int, count: int) -> bytes:
        with self._reading_drive(number) as (book, _):
            rows = book.rows(register, number, rows_of(first, count))
        return read_run(rows, register.width, first, count)

    def findings(self, number: DriveNumber | None = None) -> tuple[Finding, ...]:
        """Return open findings, of one drive or of all in care, by drive and place."""
        if number is None:
            in_care = select(drives.c.number).where(drives.c.withdrawn_on.is_(None))
            with self._reading() as connection:
                return SqlBook(connection, self._path).open_findings(in_care)
        with self._reading_drive(number) as (book, _):
            return book.open_findings(number)

    def finding(self, number: DriveNumber, finding: FindingId) -> Finding:
        """Return one finding in any state, or raise UsageError."""
        with self._reading() as connection:
            found = SqlBook(connection, self._path).found(finding)
        if found is None or found.drive != number:
            raise UsageError(
                f"{number} has no finding {finding}; `refreshd findings` lists the open ones"
            )
        return found

    def unfinished_pass(self, number: DriveNumber, kind: PassKind) -> PassState | None:
        """Return the pass of this kind that was begun on this drive and has not ended."""
        with self._reading_drive(number) as (book, _):
            unfinished = book.open_passes(number).values()
        return next((state for state in unfinished if state.kind is kind), None)

    def next_finding_id(self) -> FindingId:
        """Return an id that no finding has had yet."""
        with self._reading() as connection:
            highest = connection.execute(select(func.max(findings.c.serial))).scalar_one() or 0
        return FindingId(f"F{highest + 1}")

    def passes(self, number: DriveNumber) -> tuple[PassHistory, ...]:
        """Return the passes over this drive that have ended, oldest first."""
        with self._reading_drive(number) as (book, _):
            return book.ended_passes(number)

    def oldest_written(self, number: DriveNumber) -> LastRewrite:
        """Return the drive's last-rewrite date, and the chunks held back from it (I4)."""
        with self._reading_drive(number) as (book, card):
            return last_rewrite(card, book.open_findings(number), book.day_counts(number), book)

    def shelf_rows(self) -> tuple[ShelfRow, ...]:
        """Return what planning needs of every drive in care, by number, in four queries."""
        with self._reading() as connection:
            return read_shelf_rows(connection, SqlBook(connection, self._path))

    def slips(self, number: DriveNumber | None = None) -> tuple[Slip, ...]:
        """Return the open slips of one drive or of all, by number."""
        if number is not None:
            with self._reading_drive(number) as (book, _):
                slip = book.open_slip(number)
            return () if slip is None else (slip,)
        wanted = select(slips).where(slips.c.is_open).order_by(slips.c.number)
        with self._reading() as connection:
            return tuple(map(slip_of, connection.execute(wanted)))

    def slip(self, slip: SlipNumber) -> Slip:
        """Return one slip in any state, or raise UsageError."""
        with self._reading() as connection:
            found = SqlBook(connection, self._path).slip(slip)
        if found is None:
            raise UsageError(f"there is no slip {slip}; `refreshd pull-list` lists the open ones")
        return found

    def next_slip_number(self) -> SlipNumber:
        """Return a number that no slip has had yet."""
        with self._reading() as connection:
            return SlipNumber(SqlBook(connection, self._path).highest_slip() + 1)

    def deliveries(self) -> frozenset[Delivery]:
        """Return what was handed to which channel, of the slips that are open."""
        with self._reading() as connection:
            return frozenset(map(delivery_of, connection.execute(select(deliveries))))

    def stays(self) -> tuple[Stay, ...]:
        """Return the drives in care that are plugged in as far as the record knows, by number."""
        with self._reading() as connection:
            return tuple(map(stay_of, connection.execute(select(stays).order_by(stays.c.drive))))

    def is_reported(self, stranger: Evidence) -> bool:
        """Say whether this drive was reported as a stranger before."""
        digest = evidence_digest(stranger)
        wanted = select(strangers).where(strangers.c.evidence_sha256 == digest)
        with self._reading() as connection:
            return connection.execute(wanted).first() is not None

    def pause(self) -> Pause | None:
        """Return who asked that no pass runs; None: passes may run."""
        with self._reading() as connection:
            row = connection.execute(select(pauses)).first()
        return None if row is None else pause_of(row)

    def policy_taken(self) -> str | None:
        """Return the digest of the policy that the service took last; None: it took none yet."""
        with self._reading() as connection:
            return connection.execute(select(policies_taken.c.sha256)).scalar_one_or_none()

    def health(self, number: DriveNumber) -> tuple[HealthEntry, ...]:
        """Return the health readings of a drive, oldest first."""
        with self._reading_drive(number) as (book, _):
            return book.readings(number)

    def watches(self, number: DriveNumber) -> tuple[PassWatch, ...]:
        """Return temperature and rate across the passes of a drive, oldest first."""
        with self._reading_drive(number) as (book, _):
            return book.watches(number)

    def unfinished_provings(self) -> tuple[Proving, ...]:
        """Return the provings that were begun and have neither ended nor been given up."""
        with self._reading() as connection:
            return SqlBook(connection, self._path).open_provings()

    def certificates(self, names: Evidence | None = None) -> tuple[Certificate, ...]:
        """Return the certificates of all drives, or of one by its own names, oldest first."""
        with self._reading() as connection:
            found = SqlBook(connection, self._path).certificates(names)
        return tuple(one for one in found if names is None or one.evidence.is_surely_of(names))

    def next_proving_id(self) -> ProvingId:
        """Return an id that no proving has had yet."""
        with self._reading() as connection:
            return ProvingId(f"P{SqlBook(connection, self._path).highest_proving() + 1}")


def _head(connection: Connection) -> tuple[int, str] | None:
    row = connection.execute(select(journal_head.c.sequence, journal_head.c.digest)).first()
    return None if row is None else (row.sequence, row.digest)


def _put_head(connection: Connection, last: Entry) -> None:
    values = {"id": 1, "sequence": last.sequence, "digest": last.digest}
    statement = insert(journal_head)
    statement = statement.on_conflict_do_update(
        index_elements=[journal_head.c.id],
        set_={"sequence": statement.excluded.sequence, "digest": statement.excluded.digest},
    )
    connection.execute(statement, values)
