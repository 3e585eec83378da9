"""The second version: what the service keeps, the holding of a drive, counts of its days."""

import zlib
from array import array
from itertools import groupby

import sqlalchemy as sa
from alembic import op

from refreshd.register import pack_days

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the new tables, and count what is in those that there are."""
    op.add_column("drives", sa.Column("holding", sa.String))
    _make_slips()
    _make_the_rest()
    op.create_table(
        "day_counts",
        _drive(is_key=True),
        sa.Column("seal", sa.Integer, nullable=False),
        sa.Column("packed", sa.LargeBinary, nullable=False),
    )
    _count_days()


def _drive(*, is_key: bool = False) -> sa.Column[str]:
    return sa.Column(
        "drive", sa.String, sa.ForeignKey("drives.number"), primary_key=is_key, nullable=False
    )


def _make_slips() -> None:
    op.create_table(
        "slips",
        sa.Column("number", sa.Integer, primary_key=True),
        _drive(),
        sa.Column("errand", sa.String, nullable=False),
        sa.Column("reason", sa.String, nullable=False),
        sa.Column("issued_on", sa.Date, nullable=False),
        sa.Column("due_on", sa.Date, nullable=False),
        sa.Column("grace_ends_on", sa.Date, nullable=False),
        sa.Column("state", sa.String, nullable=False),
        sa.Column("is_open", sa.Boolean, nullable=False),
        sa.Column("changed_on", sa.Date, nullable=False),
        sa.Column("expected_s", sa.Integer),
        sa.Column("reissue_of", sa.Integer),
        sa.Column("reminders", sa.Integer, nullable=False),
        sa.Column("reminded_on", sa.Date),
        sa.Column("is_escalated", sa.Boolean, nullable=False),
        sa.Column("note", sa.String, nullable=False),
    )
    op.create_index("slips_by_open", "slips", ["is_open", "drive"])
    op.create_table(
        "deliveries",
        sa.Column("slip", sa.Integer, sa.ForeignKey("slips.number"), primary_key=True),
        sa.Column("stage", sa.String, primary_key=True),
        sa.Column("channel", sa.String, primary_key=True),
    )


def _make_the_rest() -> None:
    op.create_table(
        "stays",
        _drive(is_key=True),
        sa.Column("place", sa.String, nullable=False),
        sa.Column("boot_id", sa.String),
        sa.Column("disk_sequence", sa.Integer),
        sa.Column("arrived_at", sa.String, nullable=False),
        sa.Column("released_at", sa.String),
    )
    op.create_table("strangers", sa.Column("evidence_sha256", sa.String, primary_key=True))
    op.create_table(
        "pauses",
        sa.Column("id", sa.Integer, sa.CheckConstraint("id = 1"), primary_key=True),
        sa.Column("said_by", sa.String, nullable=False),
        sa.Column("since", sa.String, nullable=False),
        sa.Column("until", sa.String),
    )
    op.create_table(
        "policies_taken",
        sa.Column("id", sa.Integer, sa.CheckConstraint("id = 1"), primary_key=True),
        sa.Column("sha256", sa.String, nullable=False),
    )


def _count_days() -> None:
    """Count how many rows of each drive have which oldest day."""
    connection = op.get_bind()
    counted = connection.execute(
        sa.text("SELECT drive, oldest, count(*) FROM day_rows GROUP BY drive, oldest ORDER BY 1, 2")
    ).all()
    for drive, group in groupby(counted, key=lambda row: row[0]):
        packed = pack_days(array("I", (value for row in group for value in row[1:])))
        connection.execute(
            sa.text("INSERT INTO day_counts (drive, seal, packed) VALUES (:drive, :seal, :packed)"),
            {"drive": drive, "seal": zlib.crc32(packed), "packed": packed},
        )
