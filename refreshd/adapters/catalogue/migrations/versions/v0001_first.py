"""The first version: cards, passes, findings, the two packed registers, the journal's head."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    _make_head_and_drives()
    _make_passes()
    _make_findings()
    _make_registers()


def _drive(*, is_key: bool = False) -> sa.Column[str]:
    return sa.Column(
        "drive", sa.String, sa.ForeignKey("drives.number"), primary_key=is_key, nullable=False
    )


def _make_head_and_drives() -> None:
    op.create_table(
        "journal_head",
        sa.Column("id", sa.Integer, sa.CheckConstraint("id = 1"), primary_key=True),
        sa.Column("sequence", sa.Integer, nullable=False),
        sa.Column("digest", sa.String, nullable=False),
    )
    op.create_table(
        "drives",
        sa.Column("number", sa.String, primary_key=True),
        sa.Column("shelfmark", sa.String, nullable=False),
        sa.Column("title", sa.String, nullable=False),
        sa.Column("medium", sa.String, nullable=False),
        sa.Column("evidence", sa.String, nullable=False),
        sa.Column("chunk_bytes", sa.Integer, nullable=False),
        sa.Column("accessioned_on", sa.Date, nullable=False),
        sa.Column("claimed_written_on", sa.Date),
        sa.Column("is_taken_in", sa.Boolean, nullable=False),
        sa.Column("withdrawn_on", sa.Date),
        sa.Column("hold", sa.String),
        sa.Column("last_fixity", sa.Date),
        sa.Column("passes", sa.Integer, nullable=False),
        sa.Column("recorded_chunks", sa.Integer, nullable=False, server_default="0"),
    )


def _make_passes() -> None:
    op.create_table(
        "unfinished_passes",
        sa.Column("id", sa.String, primary_key=True),
        _drive(),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("begun_at", sa.String, nullable=False),
        sa.Column("next_chunk", sa.Integer, nullable=False),
        sa.Column("boot_id", sa.String),
        sa.Column("disk_sequence", sa.Integer),
        sa.Column("segment_chunks", sa.Integer, nullable=False),
        sa.Column("is_closing", sa.Boolean, nullable=False),
        sa.Column("rewritten_bytes", sa.Integer, nullable=False),
        sa.Column("mismatches", sa.Integer, nullable=False),
        sa.Column("checked_bytes", sa.Integer, nullable=False),
    )
    op.create_index("unfinished_passes_by_drive", "unfinished_passes", ["drive"])
    op.create_table(
        "ended_passes",
        sa.Column("serial", sa.Integer, primary_key=True),
        sa.Column("id", sa.String, nullable=False, unique=True),
        _drive(),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("begun_at", sa.String, nullable=False),
        sa.Column("ended_at", sa.String, nullable=False),
        sa.Column("outcome", sa.String, nullable=False),
        sa.Column("reached_end", sa.Boolean, nullable=False),
        sa.Column("checked_bytes", sa.Integer, nullable=False),
        sa.Column("rewritten_bytes", sa.Integer, nullable=False),
        sa.Column("findings", sa.Integer, nullable=False),
        sa.Column("note", sa.String, nullable=False),
    )
    op.create_index("ended_passes_by_drive", "ended_passes", ["drive"])


def _make_findings() -> None:
    op.create_table(
        "findings",
        sa.Column("serial", sa.Integer, primary_key=True),
        _drive(),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("start_byte", sa.Integer, nullable=False),
        sa.Column("length_bytes", sa.Integer, nullable=False),
        sa.Column("opened_on", sa.Date, nullable=False),
        sa.Column("state", sa.String, nullable=False),
        sa.Column("observed", sa.LargeBinary),
        sa.Column("note", sa.String, nullable=False),
    )
    op.create_index("findings_by_state", "findings", ["state", "drive"])


def _make_registers() -> None:
    op.create_table(
        "digest_rows",
        _drive(is_key=True),
        sa.Column("row", sa.Integer, primary_key=True),
        sa.Column("seal", sa.Integer, nullable=False),
        sa.Column("packed", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "day_rows",
        _drive(is_key=True),
        sa.Column("row", sa.Integer, primary_key=True),
        sa.Column("oldest", sa.Integer, nullable=False),
        sa.Column("seal", sa.Integer, nullable=False),
        sa.Column("packed", sa.LargeBinary, nullable=False),
    )
