"""The rows of the catalogue file as the `Book` that the tally works on."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from sqlalchemy import Connection, Select, Table, delete, select, update
from sqlalchemy.dialects.sqlite import Insert, insert

from refreshd.adapters.catalogue.failures import damaged
from refreshd.adapters.catalogue.tables import (
    Values,
    card_of,
    card_values,
    day_rows,
    digest_rows,
    drives,
    ended_passes,
    finding_of,
    finding_serial,
    finding_values,
    findings,
    history_of,
    history_values,
    pass_of,
    pass_values,
    unfinished_passes,
)
from refreshd.book import Register
from refreshd.cards import DriveCard, Finding, FindingState, PassHistory, PassState
from refreshd.quantities import DriveNumber, FindingId, PassId
from refreshd.register import unpack_days

_TABLES = {Register.DIGESTS: digest_rows, Register.DAYS: day_rows}


class SqlBook:
    """The rows seen and changed by one transaction."""

    def __init__(self, connection: Connection, path: Path) -> None:
        self._connection = connection
        self._path = path

    def card(self, number: DriveNumber) -> DriveCard | None:
        """Return a card, withdrawn or not."""
        row = self._connection.execute(select(drives).where(drives.c.number == number)).first()
        return None if row is None else card_of(row)

    def put_card(self, card: DriveCard) -> None:
        """Add or replace a card; a new one has no recorded chunk."""
        self._put(drives, card_values(card))

    def recorded(self, number: DriveNumber) -> int:
        """Return how many chunks from the start have been recorded."""
        wanted = select(drives.c.recorded_chunks).where(drives.c.number == number)
        return self._connection.execute(wanted).scalar_one_or_none() or 0

    def put_recorded(self, number: DriveNumber, chunks: int) -> None:
        """Replace that number."""
        self._connection.execute(
            update(drives).where(drives.c.number == number).values(recorded_chunks=chunks)
        )

    def open_passes(self, number: DriveNumber) -> Mapping[PassId, PassState]:
        """Return the unfinished passes of a drive."""
        wanted = select(unfinished_passes).where(unfinished_passes.c.drive == number)
        states = map(pass_of, self._connection.execute(wanted.order_by(unfinished_passes.c.id)))
        return {state.id: state for state in states}

    def put_pass(self, state: PassState) -> None:
        """Add or replace an unfinished pass."""
        self._put(unfinished_passes, pass_values(state))

    def end_pass(self, ended: PassHistory) -> None:
        """Remove an unfinished pass and keep what became of it."""
        self._connection.execute(
            delete(unfinished_passes).where(unfinished_passes.c.id == ended.id)
        )
        self._connection.execute(insert(ended_passes), history_values(ended))

    def found(self, finding: FindingId) -> Finding | None:
        """Return a finding in any state."""
        wanted = select(findings).where(findings.c.serial == finding_serial(finding))
        row = self._connection.execute(wanted).first()
        return None if row is None else finding_of(row)

    def open_findings(self, of: DriveNumber | Select[tuple[str]]) -> tuple[Finding, ...]:
        """Return the open findings of one drive, or of a selection of drives, by place."""
        drive = findings.c.drive
        wanted = select(findings).where(
            findings.c.state == FindingState.OPEN.value,
            drive.in_(of) if isinstance(of, Select) else drive == of,
        )
        in_order = wanted.order_by(drive, findings.c.start_byte, findings.c.serial)
        return tuple(map(finding_of, self._connection.execute(in_order)))

    def ended_passes(self, number: DriveNumber) -> tuple[PassHistory, ...]:
        """Return the passes over a drive that have ended, in that order."""
        wanted = select(ended_passes).where(ended_passes.c.drive == number)
        in_order = wanted.order_by(ended_passes.c.serial)
        return tuple(map(history_of, self._connection.execute(in_order)))

    def put_finding(self, finding: Finding) -> None:
        """Add or replace a finding."""
        self._put(findings, finding_values(finding))

    def rows(self, register: Register, number: DriveNumber, rows: range) -> Mapping[int, bytes]:
        """Return those packed rows that there are; raises CatalogueDamagedError if one rotted."""
        table = _TABLES[register]
        wanted = select(table.c.row, table.c.seal, table.c.packed).where(
            table.c.drive == number, table.c.row >= rows.start, table.c.row < rows.stop
        )
        held: dict[int, bytes] = {}
        for row, seal, packed in self._connection.execute(wanted):
            if zlib.crc32(packed) != seal or len(packed) % register.width:
                raise damaged(self._path, f"row {row} of {table.name} for {number} has changed")
            held[row] = packed
        return held

    def put_row(self, register: Register, number: DriveNumber, row: int, packed: bytes) -> None:
        """Add or replace a packed row."""
        values: Values = {
            "drive": number,
            "row": row,
            "seal": zlib.crc32(packed),
            "packed": packed,
        }
        if register is Register.DAYS:
            values["oldest"] = min(unpack_days(packed))
        self._put(_TABLES[register], values)

    def row_minima(self, number: DriveNumber) -> Mapping[int, int]:
        """Return the oldest day of each row of days that there is."""
        wanted = select(day_rows.c.row, day_rows.c.oldest).where(day_rows.c.drive == number)
        return {row: oldest for row, oldest in self._connection.execute(wanted)}  # noqa: C416 - typed

    def _put(self, table: Table, values: Values) -> None:
        """Insert a row, or replace the one with its key."""
        self._connection.execute(_upsert(table, tuple(values)), values)


@cache
def _upsert(table: Table, names: tuple[str, ...]) -> Insert:
    """Return the statement that inserts these columns, or replaces them in the row of that key.

    Kept, because making it takes SQLAlchemy longer than running it.
    """
    keys = [column.name for column in table.primary_key]
    statement = insert(table)
    changed = {name: statement.excluded[name] for name in names if name not in keys}
    return statement.on_conflict_do_update(index_elements=keys, set_=changed)
