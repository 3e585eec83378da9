"""The third version: health readings, what was watched of passes, provings, certificates."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the new tables, and room for the health of a drive on its card."""
    op.add_column("drives", sa.Column("hold_lifted_at", sa.String))
    op.add_column("drives", sa.Column("verdict", sa.String))
    op.add_column("drives", sa.Column("health_read_on", sa.Date))
    op.add_column("drives", sa.Column("health_judged_on", sa.Date))
    op.add_column("drives", sa.Column("is_silent", sa.Boolean))
    op.add_column("drives", sa.Column("health_evidence", sa.String))
    _make_series()
    _make_provings()


def _drive() -> sa.Column[str]:
    return sa.Column("drive", sa.String, sa.ForeignKey("drives.number"), nullable=False)


def _make_series() -> None:
    op.create_table(
        "health_readings",
        sa.Column("serial", sa.Integer, primary_key=True),
        _drive(),
        sa.Column("at", sa.String, nullable=False),
        sa.Column("moment", sa.String, nullable=False),
        sa.Column("pass_id", sa.String),
        sa.Column("verdict", sa.String, nullable=False),
        sa.Column("reading", sa.String, nullable=False),
        sa.Column("evidence", sa.String, nullable=False),
        sa.Column("changes", sa.String, nullable=False),
    )
    op.create_index("health_readings_by_drive", "health_readings", ["drive"])
    op.create_table(
        "pass_watches",
        sa.Column("serial", sa.Integer, primary_key=True),
        _drive(),
        sa.Column("pass_id", sa.String, nullable=False),
        sa.Column("at", sa.String, nullable=False),
        sa.Column("doing", sa.String, nullable=False),
        sa.Column("samples", sa.String, nullable=False),
        sa.Column("heat_pauses", sa.String, nullable=False),
    )
    op.create_index("pass_watches_by_drive", "pass_watches", ["drive"])


def _make_provings() -> None:
    op.create_table(
        "provings",
        sa.Column("serial", sa.Integer, primary_key=True),
        sa.Column("is_open", sa.Boolean, nullable=False),
        sa.Column("proving", sa.String, nullable=False),
    )
    op.create_index("provings_by_open", "provings", ["is_open"])
    op.create_table(
        "certificates",
        sa.Column("serial", sa.Integer, primary_key=True),
        sa.Column(
            "proving",
            sa.Integer,
            sa.ForeignKey("provings.serial"),
            nullable=False,
            unique=True,
        ),
        sa.Column("wwn", sa.String),
        sa.Column("drive_serial", sa.String),
        sa.Column("certificate", sa.String, nullable=False),
    )
