"""The whole shelf at once, for planning: four queries, however many drives there are.

Each drive with an open finding costs one more, for the rows of days that the finding touches.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Connection, Float, Integer, case, cast, func, select

from refreshd.adapters.catalogue.sql_book import SqlBook
from refreshd.adapters.catalogue.tables import (
    card_of,
    day_counts,
    drives,
    ended_passes,
    pass_of,
    unfinished_passes,
)
from refreshd.book import last_rewrite
from refreshd.cards import Finding, PassState, ShelfRow
from refreshd.expectation import TELLING_SECONDS
from refreshd.quantities import DriveNumber, PassKind


class _Past(NamedTuple):
    """What the ended passes of a drive say of it."""

    last_refresh_at: datetime | None = None
    own_rate_bytes_per_s: int = 0


_NOTHING = _Past()


def read_shelf_rows(connection: Connection, book: SqlBook) -> tuple[ShelfRow, ...]:
    """Return a row for each drive in care, by number."""
    in_care = select(drives.c.number).where(drives.c.withdrawn_on.is_(None))
    found: dict[DriveNumber, list[Finding]] = defaultdict(list)
    for finding in book.open_findings(in_care):
        found[finding.drive].append(finding)
    unfinished, past = _unfinished(connection), _past(connection)
    wanted = (
        select(drives, day_counts.c.seal, day_counts.c.packed)
        .outerjoin(day_counts, day_counts.c.drive == drives.c.number)
        .where(drives.c.withdrawn_on.is_(None))
        .order_by(drives.c.number)
    )
    rows = []
    for row in connection.execute(wanted):
        card = card_of(row)
        counts = {} if row.seal is None else book.counts_of(card.number, row.seal, row.packed)
        findings = found.get(card.number, [])
        done = past.get(card.number, _NOTHING)
        rows.append(
            ShelfRow(
                card=card,
                rewritten=last_rewrite(card, findings, counts, book),
                open_findings=len(findings),
                unfinished=tuple(unfinished.get(card.number, ())),
                last_refresh_at=done.last_refresh_at,
                own_rate_bytes_per_s=done.own_rate_bytes_per_s,
            )
        )
    return tuple(rows)


def _unfinished(connection: Connection) -> dict[DriveNumber, list[PassState]]:
    states: dict[DriveNumber, list[PassState]] = defaultdict(list)
    wanted = select(unfinished_passes).order_by(unfinished_passes.c.id)
    for state in map(pass_of, connection.execute(wanted)):
        states[state.drive].append(state)
    return states


def _past(connection: Connection) -> dict[DriveNumber, _Past]:
    """Work out in SQLite what `expectation.own_rate` says of the fastest pass.

    Twenty years of passes over a thousand drives are too many to be brought here one by one.
    """
    passes = ended_passes.c
    seconds = cast(func.strftime("%s", passes.ended_at), Integer) - cast(
        func.strftime("%s", passes.begun_at), Integer
    )
    moved = passes.checked_bytes + 2 * passes.rewritten_bytes
    is_telling = passes.reached_end & (seconds >= TELLING_SECONDS)
    rate = case((is_telling, cast(moved / cast(seconds, Float), Integer)), else_=0)
    refreshed = case((passes.kind == PassKind.REFRESH.value, passes.ended_at))
    wanted = select(passes.drive, func.max(refreshed), func.max(rate)).group_by(passes.drive)
    return {
        DriveNumber(drive): _Past(last and datetime.fromisoformat(last), own_rate)
        for drive, last, own_rate in connection.execute(wanted)
    }
