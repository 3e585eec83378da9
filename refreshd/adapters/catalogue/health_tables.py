"""What the catalogue file holds about health: the readings, what was watched, the provings.

A reading, a plan or a certificate is JSON in one column each, beside the columns that one asks
for: they are kept for decades and only ever looked at as a whole. The pages themselves are in
the journal alone.
"""

from __future__ import annotations

from datetime import datetime

from pydantic import TypeAdapter
from sqlalchemy import Boolean, Column, ForeignKey, Index, Integer, Row, String, Table

from refreshd.adapters.catalogue.tables import EVIDENCE_LINES, Values, metadata
from refreshd.health_cards import (
    HealthEntry,
    HealthReading,
    HeatPause,
    Moment,
    PassWatch,
    Verdict,
    WatchSample,
)
from refreshd.proving_cards import Certificate, Proving
from refreshd.quantities import DriveNumber, PassId, proving_serial

health_readings = Table(
    "health_readings",
    metadata,
    Column("serial", Integer, primary_key=True),  # in the order in which they were taken
    Column("drive", String, ForeignKey("drives.number"), nullable=False),
    Column("at", String, nullable=False),
    Column("moment", String, nullable=False),
    Column("pass_id", String),
    Column("verdict", String, nullable=False),
    Column("reading", String, nullable=False),  # JSON
    Column("evidence", String, nullable=False),  # JSON
    Column("changes", String, nullable=False),  # JSON
)

pass_watches = Table(
    "pass_watches",
    metadata,
    Column("serial", Integer, primary_key=True),  # in the order in which they were written down
    Column("drive", String, ForeignKey("drives.number"), nullable=False),
    Column("pass_id", String, nullable=False),
    Column("at", String, nullable=False),
    Column("doing", String, nullable=False),
    Column("samples", String, nullable=False),  # JSON
    Column("heat_pauses", String, nullable=False),  # JSON
)

provings = Table(
    "provings",
    metadata,
    Column("serial", Integer, primary_key=True),  # 3 of proving P3
    Column("is_open", Boolean, nullable=False),
    Column("proving", String, nullable=False),  # JSON, as it was when it ended
)

certificates = Table(
    "certificates",
    metadata,
    Column("serial", Integer, primary_key=True),  # in the order in which the provings ended
    Column("proving", Integer, ForeignKey("provings.serial"), nullable=False, unique=True),
    Column("wwn", String),
    Column("drive_serial", String),
    Column("certificate", String, nullable=False),  # JSON
)

Index("health_readings_by_drive", health_readings.c.drive)
Index("pass_watches_by_drive", pass_watches.c.drive)
Index("provings_by_open", provings.c.is_open)

HEALTH_TABLES = (health_readings, pass_watches, provings, certificates)

_READING = TypeAdapter(HealthReading)
_CHANGES = TypeAdapter(tuple[str, ...])
_SAMPLES = TypeAdapter(tuple[WatchSample, ...])
_HEAT_PAUSES = TypeAdapter(tuple[HeatPause, ...])
_PROVING = TypeAdapter(Proving)
_CERTIFICATE = TypeAdapter(Certificate)


def reading_values(entry: HealthEntry) -> Values:
    """Return a reading as a row of `health_readings`."""
    return {
        "drive": entry.drive,
        "at": entry.at.isoformat(),
        "moment": entry.moment.value,
        "pass_id": entry.pass_id,
        "verdict": entry.verdict.value,
        "reading": _READING.dump_json(entry.reading).decode(),
        "evidence": EVIDENCE_LINES.dump_json(entry.evidence).decode(),
        "changes": _CHANGES.dump_json(entry.changes).decode(),
    }


def reading_of(row: Row[tuple[object, ...]]) -> HealthEntry:
    """Return the reading in a row of `health_readings`."""
    return HealthEntry(
        drive=DriveNumber(row.drive),
        at=datetime.fromisoformat(row.at),
        moment=Moment(row.moment),
        pass_id=None if row.pass_id is None else PassId(row.pass_id),
        reading=_READING.validate_json(row.reading),
        verdict=Verdict(row.verdict),
        evidence=EVIDENCE_LINES.validate_json(row.evidence),
        changes=_CHANGES.validate_json(row.changes),
    )


def watch_values(watch: PassWatch) -> Values:
    """Return what was watched of a run as a row of `pass_watches`."""
    return {
        "drive": watch.drive,
        "pass_id": watch.pass_id,
        "at": watch.at.isoformat(),
        "doing": watch.doing,
        "samples": _SAMPLES.dump_json(watch.samples).decode(),
        "heat_pauses": _HEAT_PAUSES.dump_json(watch.heat_pauses).decode(),
    }


def watch_of(row: Row[tuple[object, ...]]) -> PassWatch:
    """Return what was watched of a run, from a row of `pass_watches`."""
    return PassWatch(
        drive=DriveNumber(row.drive),
        pass_id=PassId(row.pass_id),
        at=datetime.fromisoformat(row.at),
        doing=row.doing,
        samples=_SAMPLES.validate_json(row.samples),
        heat_pauses=_HEAT_PAUSES.validate_json(row.heat_pauses),
    )


def proving_values(proving: Proving) -> Values:
    """Return an unfinished proving as a row of `provings`."""
    return {
        "serial": proving_serial(proving.id),
        "is_open": True,
        "proving": _PROVING.dump_json(proving).decode(),
    }


def proving_of(row: Row[tuple[object, ...]]) -> Proving:
    """Return the unfinished proving in a row of `provings`."""
    return _PROVING.validate_json(row.proving)


def certificate_values(certificate: Certificate) -> Values:
    """Return a certificate as a row of `certificates`."""
    return {
        "proving": proving_serial(certificate.id),
        "wwn": certificate.evidence.wwn,
        "drive_serial": certificate.evidence.serial,
        "certificate": _CERTIFICATE.dump_json(certificate).decode(),
    }


def certificate_of(row: Row[tuple[object, ...]]) -> Certificate:
    """Return the certificate in a row of `certificates`."""
    return _CERTIFICATE.validate_json(row.certificate)
