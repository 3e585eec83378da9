"""What the catalogue file holds for the service: slips, stays, strangers, notices, the pause.

The habits are those of `tables`: times and days as text that any SQLite program shows.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Date,
    ForeignKey,
    Index,
    Integer,
    Row,
    String,
    Table,
)

from refreshd.adapters.catalogue.tables import Values, metadata
from refreshd.cards import Delivery, Pause, Presence, Slip, SlipState, Stay
from refreshd.quantities import DriveNumber, Errand, SlipNumber

slips = Table(
    "slips",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("drive", String, ForeignKey("drives.number"), nullable=False),
    Column("errand", String, nullable=False),
    Column("reason", String, nullable=False),
    Column("issued_on", Date, nullable=False),
    Column("due_on", Date, nullable=False),
    Column("grace_ends_on", Date, nullable=False),
    Column("state", String, nullable=False),
    Column("is_open", Boolean, nullable=False),
    Column("changed_on", Date, nullable=False),
    Column("expected_s", Integer),
    Column("reissue_of", Integer),
    Column("reminders", Integer, nullable=False),
    Column("reminded_on", Date),
    Column("is_escalated", Boolean, nullable=False),
    Column("note", String, nullable=False),
)

deliveries = Table(
    "deliveries",
    metadata,
    Column("slip", Integer, ForeignKey("slips.number"), primary_key=True),
    Column("stage", String, primary_key=True),
    Column("channel", String, primary_key=True),
)

stays = Table(
    "stays",
    metadata,
    Column("drive", String, ForeignKey("drives.number"), primary_key=True),
    Column("place", String, nullable=False),
    Column("boot_id", String),
    Column("disk_sequence", Integer),
    Column("arrived_at", String, nullable=False),
    Column("released_at", String),
)

strangers = Table(
    "strangers",
    metadata,
    Column("evidence_sha256", String, primary_key=True),
)

pauses = Table(
    "pauses",
    metadata,
    Column("id", Integer, CheckConstraint("id = 1"), primary_key=True),
    Column("said_by", String, nullable=False),
    Column("since", String, nullable=False),
    Column("until", String),
)

policies_taken = Table(
    "policies_taken",
    metadata,
    Column("id", Integer, CheckConstraint("id = 1"), primary_key=True),
    Column("sha256", String, nullable=False),
)

Index("slips_by_open", slips.c.is_open, slips.c.drive)

SERVICE_TABLES = (slips, deliveries, stays, strangers, pauses, policies_taken)


def slip_values(slip: Slip) -> Values:
    """Return a slip as a row of `slips`."""
    return {
        "number": slip.number,
        "drive": slip.drive,
        "errand": slip.errand.value,
        "reason": slip.reason,
        "issued_on": slip.issued_on,
        "due_on": slip.due_on,
        "grace_ends_on": slip.grace_ends_on,
        "state": slip.state.value,
        "is_open": slip.is_open,
        "changed_on": slip.changed_on,
        "expected_s": slip.expected_s,
        "reissue_of": slip.reissue_of,
        "reminders": slip.reminders,
        "reminded_on": slip.reminded_on,
        "is_escalated": slip.is_escalated,
        "note": slip.note,
    }


def slip_of(row: Row[tuple[object, ...]]) -> Slip:
    """Return the slip in a row of `slips`."""
    return Slip(
        number=SlipNumber(row.number),
        drive=DriveNumber(row.drive),
        errand=Errand(row.errand),
        reason=row.reason,
        issued_on=row.issued_on,
        due_on=row.due_on,
        grace_ends_on=row.grace_ends_on,
        state=SlipState(row.state),
        changed_on=row.changed_on,
        expected_s=row.expected_s,
        reissue_of=None if row.reissue_of is None else SlipNumber(row.reissue_of),
        reminders=row.reminders,
        reminded_on=row.reminded_on,
        is_escalated=row.is_escalated,
        note=row.note,
    )


def delivery_of(row: Row[tuple[object, ...]]) -> Delivery:
    """Return the delivery in a row of `deliveries`."""
    return Delivery(SlipNumber(row.slip), row.stage, row.channel)


def stay_values(stay: Stay) -> Values:
    """Return a stay as a row of `stays`."""
    return {
        "drive": stay.drive,
        "place": stay.place,
        "boot_id": stay.presence.boot_id,
        "disk_sequence": stay.presence.disk_sequence,
        "arrived_at": stay.arrived_at.isoformat(),
        "released_at": None if stay.released_at is None else stay.released_at.isoformat(),
    }


def stay_of(row: Row[tuple[object, ...]]) -> Stay:
    """Return the stay in a row of `stays`."""
    return Stay(
        drive=DriveNumber(row.drive),
        place=row.place,
        presence=Presence(row.boot_id, row.disk_sequence),
        arrived_at=datetime.fromisoformat(row.arrived_at),
        released_at=_moment(row.released_at),
    )


def pause_values(pause: Pause) -> Values:
    """Return a pause as the row of `pauses`."""
    return {
        "id": 1,
        "said_by": pause.said_by,
        "since": pause.since.isoformat(),
        "until": None if pause.until is None else pause.until.isoformat(),
    }


def pause_of(row: Row[tuple[object, ...]]) -> Pause:
    """Return the pause in the row of `pauses`."""
    return Pause(row.said_by, datetime.fromisoformat(row.since), _moment(row.until))


def _moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)
