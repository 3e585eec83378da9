"""What the catalogue file holds, and how its rows become cards, findings and passes.

Times are text in ISO 8601 with their offset, days likewise, so that the file can be read with
any SQLite program in thirty years. The chunk registers are packed, see `refreshd.register`;
`seal` is the CRC-32 of `packed`, because a bit that rots in a date could make it newer than
the truth (I4), and SQLite itself would not notice.
"""

from __future__ import annotations

from datetime import datetime

from pydantic import TypeAdapter
from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Date,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Row,
    String,
    Table,
)

from refreshd.cards import (
    DriveCard,
    Evidence,
    Finding,
    FindingState,
    PassHistory,
    PassState,
    Presence,
)
from refreshd.health_cards import EvidenceLine, HealthState, Verdict
from refreshd.quantities import (
    Digest,
    DriveNumber,
    FindingId,
    FindingKind,
    MediumKind,
    Outcome,
    PassId,
    PassKind,
    Span,
)

Values = dict[str, object]
"""The columns of one row, by name."""

APPLICATION_ID = 0x72667264
"""Marks the file as ours: "rfrd" in ASCII. Source: sqlite.org/pragma.html#pragma_application_id"""

metadata = MetaData()

journal_head = Table(
    "journal_head",
    metadata,
    Column("id", Integer, CheckConstraint("id = 1"), primary_key=True),
    Column("sequence", Integer, nullable=False),
    Column("digest", String, nullable=False),
)

drives = Table(
    "drives",
    metadata,
    Column("number", String, primary_key=True),
    Column("shelfmark", String, nullable=False),
    Column("title", String, nullable=False),
    Column("medium", String, nullable=False),
    Column("evidence", String, nullable=False),  # JSON
    Column("chunk_bytes", Integer, nullable=False),
    Column("accessioned_on", Date, nullable=False),
    Column("claimed_written_on", Date),
    Column("is_taken_in", Boolean, nullable=False),
    Column("withdrawn_on", Date),
    Column("hold", String),
    Column("hold_lifted_at", String),
    Column("last_fixity", Date),
    Column("passes", Integer, nullable=False),
    Column("recorded_chunks", Integer, nullable=False, server_default="0"),
    Column("holding", String),
    Column("verdict", String),  # of its health; none: it was never read
    Column("health_read_on", Date),
    Column("health_judged_on", Date),
    Column("is_silent", Boolean),
    Column("health_evidence", String),  # JSON
)

unfinished_passes = Table(
    "unfinished_passes",
    metadata,
    Column("id", String, primary_key=True),
    Column("drive", String, ForeignKey("drives.number"), nullable=False),
    Column("kind", String, nullable=False),
    Column("begun_at", String, nullable=False),
    Column("next_chunk", Integer, nullable=False),
    Column("boot_id", String),
    Column("disk_sequence", Integer),
    Column("segment_chunks", Integer, nullable=False),
    Column("is_closing", Boolean, nullable=False),
    Column("rewritten_bytes", Integer, nullable=False),
    Column("mismatches", Integer, nullable=False),
    Column("checked_bytes", Integer, nullable=False),
)

ended_passes = Table(
    "ended_passes",
    metadata,
    Column("serial", Integer, primary_key=True),  # in the order in which they ended
    Column("id", String, nullable=False, unique=True),
    Column("drive", String, ForeignKey("drives.number"), nullable=False),
    Column("kind", String, nullable=False),
    Column("begun_at", String, nullable=False),
    Column("ended_at", String, nullable=False),
    Column("outcome", String, nullable=False),
    Column("reached_end", Boolean, nullable=False),
    Column("checked_bytes", Integer, nullable=False),
    Column("rewritten_bytes", Integer, nullable=False),
    Column("findings", Integer, nullable=False),
    Column("note", String, nullable=False),
)

findings = Table(
    "findings",
    metadata,
    Column("serial", Integer, primary_key=True),  # 12 of finding F12
    Column("drive", String, ForeignKey("drives.number"), nullable=False),
    Column("kind", String, nullable=False),
    Column("start_byte", Integer, nullable=False),
    Column("length_bytes", Integer, nullable=False),
    Column("opened_on", Date, nullable=False),
    Column("state", String, nullable=False),
    Column("observed", LargeBinary),
    Column("note", String, nullable=False),
)

digest_rows = Table(
    "digest_rows",
    metadata,
    Column("drive", String, ForeignKey("drives.number"), primary_key=True),
    Column("row", Integer, primary_key=True),
    Column("seal", Integer, nullable=False),
    Column("packed", LargeBinary, nullable=False),
)

day_rows = Table(
    "day_rows",
    metadata,
    Column("drive", String, ForeignKey("drives.number"), primary_key=True),
    Column("row", Integer, primary_key=True),
    Column("oldest", Integer, nullable=False),
    Column("seal", Integer, nullable=False),
    Column("packed", LargeBinary, nullable=False),
)

day_counts = Table(  # how many rows of a drive have which oldest day
    "day_counts",
    metadata,
    Column("drive", String, ForeignKey("drives.number"), primary_key=True),
    Column("seal", Integer, nullable=False),
    Column("packed", LargeBinary, nullable=False),
)

Index("findings_by_state", findings.c.state, findings.c.drive)
Index("unfinished_passes_by_drive", unfinished_passes.c.drive)
Index("ended_passes_by_drive", ended_passes.c.drive)

SMALL_TABLES = (journal_head, drives, unfinished_passes, ended_passes, findings, day_counts)
"""Those that are checked whenever the file is opened; the registers are checked by their seals."""

_EVIDENCE = TypeAdapter(Evidence)
EVIDENCE_LINES = TypeAdapter(tuple[EvidenceLine, ...])
_NO_LINES = "[]"


def card_values(card: DriveCard) -> Values:
    """Return a card as a row of `drives`, without its count of recorded chunks."""
    return {
        "number": card.number,
        "shelfmark": card.shelfmark,
        "title": card.title,
        "medium": card.medium.value,
        "evidence": _EVIDENCE.dump_json(card.evidence).decode(),
        "chunk_bytes": card.chunk_bytes,
        "accessioned_on": card.accessioned_on,
        "claimed_written_on": card.claimed_written_on,
        "is_taken_in": card.is_taken_in,
        "withdrawn_on": card.withdrawn_on,
        "hold": card.hold,
        "hold_lifted_at": card.hold_lifted_at and card.hold_lifted_at.isoformat(),
        "last_fixity": card.last_fixity,
        "passes": card.passes,
        "holding": card.holding,
        **_health_values(card.health),
    }


def _health_values(health: HealthState | None) -> Values:
    return {
        "verdict": None if health is None else health.verdict.value,
        "health_read_on": health and health.read_on,
        "health_judged_on": health and health.judged_on,
        "is_silent": health and health.is_silent,
        "health_evidence": health and EVIDENCE_LINES.dump_json(health.evidence).decode(),
    }


def card_of(row: Row[tuple[object, ...]]) -> DriveCard:
    """Return the card in a row of `drives`."""
    return DriveCard(
        number=DriveNumber(row.number),
        shelfmark=row.shelfmark,
        title=row.title,
        medium=MediumKind(row.medium),
        evidence=_EVIDENCE.validate_json(row.evidence),
        chunk_bytes=row.chunk_bytes,
        accessioned_on=row.accessioned_on,
        claimed_written_on=row.claimed_written_on,
        is_taken_in=row.is_taken_in,
        withdrawn_on=row.withdrawn_on,
        hold=row.hold,
        hold_lifted_at=row.hold_lifted_at and datetime.fromisoformat(row.hold_lifted_at),
        last_fixity=row.last_fixity,
        passes=row.passes,
        holding=row.holding,
        health=None if row.verdict is None else _health_of(row),
    )


def _health_of(row: Row[tuple[object, ...]]) -> HealthState:
    return HealthState(
        verdict=Verdict(row.verdict),
        read_on=row.health_read_on,
        evidence=evidence_lines_of(row.health_evidence),
        is_silent=row.is_silent,
        judged_on=row.health_judged_on,
    )


def evidence_lines_of(text: str) -> tuple[EvidenceLine, ...]:
    """Return what speaks for a verdict; of most drives nothing does, and there are many."""
    return () if text == _NO_LINES else EVIDENCE_LINES.validate_json(text)


def pass_values(state: PassState) -> Values:
    """Return a pass as a row of `unfinished_passes`."""
    return {
        "id": state.id,
        "drive": state.drive,
        "kind": state.kind.value,
        "begun_at": state.begun_at.isoformat(),
        "next_chunk": state.next_chunk,
        "boot_id": state.presence.boot_id,
        "disk_sequence": state.presence.disk_sequence,
        "segment_chunks": state.segment_chunks,
        "is_closing": state.is_closing,
        "rewritten_bytes": state.rewritten_bytes,
        "mismatches": state.mismatches,
        "checked_bytes": state.checked_bytes,
    }


def pass_of(row: Row[tuple[object, ...]]) -> PassState:
    """Return the pass in a row of `unfinished_passes`."""
    return PassState(
        id=PassId(row.id),
        drive=DriveNumber(row.drive),
        kind=PassKind(row.kind),
        begun_at=datetime.fromisoformat(row.begun_at),
        next_chunk=row.next_chunk,
        presence=Presence(row.boot_id, row.disk_sequence),
        segment_chunks=row.segment_chunks,
        is_closing=row.is_closing,
        rewritten_bytes=row.rewritten_bytes,
        mismatches=row.mismatches,
        checked_bytes=row.checked_bytes,
    )


def history_values(ended: PassHistory) -> Values:
    """Return an ended pass as a row of `ended_passes`."""
    return {
        "id": ended.id,
        "drive": ended.drive,
        "kind": ended.kind.value,
        "begun_at": ended.begun_at.isoformat(),
        "ended_at": ended.ended_at.isoformat(),
        "outcome": ended.outcome.value,
        "reached_end": ended.reached_end,
        "checked_bytes": ended.checked_bytes,
        "rewritten_bytes": ended.rewritten_bytes,
        "findings": ended.findings,
        "note": ended.note,
    }


def history_of(row: Row[tuple[object, ...]]) -> PassHistory:
    """Return the pass in a row of `ended_passes`."""
    return PassHistory(
        id=PassId(row.id),
        drive=DriveNumber(row.drive),
        kind=PassKind(row.kind),
        begun_at=datetime.fromisoformat(row.begun_at),
        ended_at=datetime.fromisoformat(row.ended_at),
        outcome=Outcome(row.outcome),
        reached_end=row.reached_end,
        checked_bytes=row.checked_bytes,
        rewritten_bytes=row.rewritten_bytes,
        findings=row.findings,
        note=row.note,
    )


def finding_serial(finding: FindingId) -> int:
    """Return 12 for finding F12."""
    return int(finding.removeprefix("F"))


def finding_values(finding: Finding) -> Values:
    """Return a finding as a row of `findings`."""
    return {
        "serial": finding_serial(finding.id),
        "drive": finding.drive,
        "kind": finding.kind.value,
        "start_byte": finding.span.start,
        "length_bytes": finding.span.length,
        "opened_on": finding.opened_on,
        "state": finding.state.value,
        "observed": finding.observed,
        "note": finding.note,
    }


def finding_of(row: Row[tuple[object, ...]]) -> Finding:
    """Return the finding in a row of `findings`."""
    return Finding(
        id=FindingId(f"F{row.serial}"),
        drive=DriveNumber(row.drive),
        kind=FindingKind(row.kind),
        span=Span(row.start_byte, row.length_bytes),
        opened_on=row.opened_on,
        state=FindingState(row.state),
        observed=None if row.observed is None else Digest(row.observed),
        note=row.note,
    )
