"""The rows of the catalogue file as the `Book` that the tally works on."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

from sqlalchemy import Connection, Select, Table, delete, func, select, update
from sqlalchemy.dialects.sqlite import Insert, insert

from refreshd.adapters.catalogue.failures import damaged
from refreshd.adapters.catalogue.health_tables import (
    certificate_of,
    certificate_values,
    certificates,
    health_readings,
    pass_watches,
    proving_of,
    proving_values,
    provings,
    reading_of,
    reading_values,
    watch_of,
    watch_values,
)
from refreshd.adapters.catalogue.service_tables import (
    deliveries,
    pause_values,
    pauses,
    policies_taken,
    slip_of,
    slip_values,
    slips,
    stay_of,
    stay_values,
    stays,
    strangers,
)
from refreshd.adapters.catalogue.tables import (
    Values,
    card_of,
    card_values,
    day_counts,
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
from refreshd.cards import (
    Delivery,
    DriveCard,
    Evidence,
    Finding,
    FindingState,
    PassHistory,
    PassState,
    Pause,
    Slip,
    Stay,
)
from refreshd.health_cards import HealthEntry, PassWatch
from refreshd.proving_cards import Certificate, Proving
from refreshd.quantities import (
    DriveNumber,
    FindingId,
    PassId,
    ProvingId,
    SlipNumber,
    proving_serial,
)
from refreshd.register import count_row, pack_counts, unpack_counts, unpack_days

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
            oldest = values["oldest"] = min(unpack_days(packed))
            self._recount(number, row, oldest)
        self._put(_TABLES[register], values)

    def _recount(self, number: DriveNumber, row: int, oldest: int) -> None:
        """Count a row of days under its new oldest day."""
        wanted = select(day_rows.c.oldest).where(day_rows.c.drive == number, day_rows.c.row == row)
        before = self._connection.execute(wanted).scalar_one_or_none()
        if before == oldest:
            return
        counts = self.day_counts(number)
        if before is not None:
            count_row(counts, before, -1)
        count_row(counts, oldest, 1)
        packed = pack_counts(counts)
        self._put(day_counts, {"drive": number, "seal": zlib.crc32(packed), "packed": packed})

    def day_counts(self, number: DriveNumber) -> dict[int, int]:
        """Return how many rows of days have which oldest day."""
        wanted = select(day_counts.c.seal, day_counts.c.packed)
        row = self._connection.execute(wanted.where(day_counts.c.drive == number)).first()
        return {} if row is None else self.counts_of(number, row.seal, row.packed)

    def counts_of(self, number: DriveNumber, seal: int, packed: bytes) -> dict[int, int]:
        """Return such counts, or raise CatalogueDamagedError if they rotted (I4)."""
        if zlib.crc32(packed) != seal:
            raise damaged(self._path, f"the counted days of {number} have changed")
        return unpack_counts(packed)

    # Slips, stays, notices

    def slip(self, number: SlipNumber) -> Slip | None:
        """Return a slip in any state."""
        row = self._connection.execute(select(slips).where(slips.c.number == number)).first()
        return None if row is None else slip_of(row)

    def open_slip(self, drive: DriveNumber) -> Slip | None:
        """Return the open slip of a drive, if it has one."""
        wanted = select(slips).where(slips.c.is_open, slips.c.drive == drive)
        row = self._connection.execute(wanted).first()
        return None if row is None else slip_of(row)

    def highest_slip(self) -> int:
        """Return the highest number that was given to a slip; 0: none was."""
        return self._connection.execute(select(func.max(slips.c.number))).scalar_one() or 0

    def put_slip(self, slip: Slip) -> None:
        """Add or replace a slip."""
        self._put(slips, slip_values(slip))

    def put_delivery(self, delivery: Delivery) -> None:
        """Keep what was handed to a channel; once is enough."""
        statement = insert(deliveries).on_conflict_do_nothing()
        self._connection.execute(statement, delivery._asdict())

    def drop_deliveries(self, slip: SlipNumber) -> None:
        """Forget what was handed to any channel about a slip."""
        self._connection.execute(delete(deliveries).where(deliveries.c.slip == slip))

    def stay(self, drive: DriveNumber) -> Stay | None:
        """Return the stay of a drive, if it is plugged in."""
        row = self._connection.execute(select(stays).where(stays.c.drive == drive)).first()
        return None if row is None else stay_of(row)

    def put_stay(self, stay: Stay) -> None:
        """Add or replace the stay of a drive."""
        self._put(stays, stay_values(stay))

    def end_stay(self, drive: DriveNumber) -> None:
        """Remove the stay of a drive."""
        self._connection.execute(delete(stays).where(stays.c.drive == drive))

    def put_stranger(self, digest: str) -> None:
        """Keep the digest of a stranger's evidence; once is enough."""
        statement = insert(strangers).on_conflict_do_nothing()
        self._connection.execute(statement, {"evidence_sha256": digest})

    def put_pause(self, pause: Pause | None) -> None:
        """Replace the pause; None: there is none."""
        if pause is None:
            self._connection.execute(delete(pauses))
        else:
            self._put(pauses, pause_values(pause))

    def put_policy_taken(self, sha256: str) -> None:
        """Replace the digest of the policy that the service runs under."""
        self._put(policies_taken, {"id": 1, "sha256": sha256})

    # Health and provings

    def surely_in_care(self, names: Evidence) -> DriveCard | None:
        """Return the drive in care that surely gave this evidence, if there is one."""
        wanted = select(drives).where(drives.c.withdrawn_on.is_(None)).order_by(drives.c.number)
        cards = map(card_of, self._connection.execute(wanted))
        return next((card for card in cards if card.evidence.is_surely_of(names)), None)

    def put_reading(self, reading: HealthEntry) -> None:
        """Add a health reading to the series of its drive."""
        self._connection.execute(insert(health_readings), reading_values(reading))

    def readings(self, number: DriveNumber) -> tuple[HealthEntry, ...]:
        """Return the health readings of a drive, oldest first."""
        wanted = select(health_readings).where(health_readings.c.drive == number)
        in_order = wanted.order_by(health_readings.c.serial)
        return tuple(map(reading_of, self._connection.execute(in_order)))

    def put_watch(self, watch: PassWatch) -> None:
        """Add what was watched of one run of a pass."""
        self._connection.execute(insert(pass_watches), watch_values(watch))

    def watches(self, number: DriveNumber) -> tuple[PassWatch, ...]:
        """Return what was watched of the passes of a drive, oldest first."""
        wanted = select(pass_watches).where(pass_watches.c.drive == number)
        in_order = wanted.order_by(pass_watches.c.serial)
        return tuple(map(watch_of, self._connection.execute(in_order)))

    def open_provings(self) -> tuple[Proving, ...]:
        """Return the unfinished provings, by number."""
        wanted = select(provings).where(provings.c.is_open).order_by(provings.c.serial)
        return tuple(map(proving_of, self._connection.execute(wanted)))

    def highest_proving(self) -> int:
        """Return the highest number that was given to a proving; 0: none was."""
        return self._connection.execute(select(func.max(provings.c.serial))).scalar_one() or 0

    def put_proving(self, proving: Proving) -> None:
        """Add or replace an unfinished proving."""
        self._put(provings, proving_values(proving))

    def end_proving(self, ended: ProvingId, certificate: Certificate | None) -> None:
        """Close an unfinished proving, and keep its certificate; None: it was given up."""
        self._connection.execute(
            update(provings).where(provings.c.serial == proving_serial(ended)).values(is_open=False)
        )
        if certificate is not None:
            self._connection.execute(insert(certificates), certificate_values(certificate))

    def certificates(self, names: Evidence | None) -> Iterator[Certificate]:
        """Yield the certificates, or those of drives with one of these names, oldest first."""
        wanted = select(certificates).order_by(certificates.c.serial)
        if names is not None:
            kept = certificates.c
            wanted = wanted.where((kept.wwn == names.wwn) | (kept.drive_serial == names.serial))
        return map(certificate_of, self._connection.execute(wanted))

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
