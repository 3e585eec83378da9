"""Copies of the same content are refreshed one after the other, and far apart in time (I9).

One surge, one fault or one intruder must not reach two of them. The caretaker holds to it when it
plans, and every refresh by whatever way it was begun when it begins.
"""

from __future__ import annotations

from datetime import date

from refreshd.cards import DriveCard, ShelfRow
from refreshd.durations import Duration, add
from refreshd.errors import RefusedError
from refreshd.ports import Ledger
from refreshd.quantities import PassKind
from refreshd.register import HOLE, NEVER
from refreshd.spreading import are_siblings

_CHUNKS_LOOKED_AT = 4096
"""How many chunks before the place where a refresh stopped are asked for the day of their
writing. A refresh goes through a drive in order, so that the last written ones lie there; what
holes and young chunks lie between is skipped. 16 GiB of the usual chunks. Chosen, no source."""


def last_written(ledger: Ledger, row: ShelfRow) -> date | None:
    """Return the last day on which a refresh may have written to a drive; None: never."""
    days = [] if row.last_refresh_at is None else [row.last_refresh_at.date()]
    for state in row.unfinished:
        if state.kind is PassKind.REFRESH:
            days.append(state.begun_at.date())
            first = max(0, state.next_chunk - _CHUNKS_LOOKED_AT)
            written = ledger.written_days(row.card.number, first, state.next_chunk - first)
            proved = [day for day in written if day not in {NEVER, HOLE}]
            if proved:
                days.append(date.fromordinal(max(proved)))
    return max(days, default=None)


def refuse_too_close(ledger: Ledger, card: DriveCard, apart: Duration, today: date) -> None:
    """Raise RefusedError while a copy of the same content was written to not long ago."""
    for row in ledger.shelf_rows():
        if not are_siblings(card, row.card):
            continue
        written = last_written(ledger, row)
        if written is not None and today < (free_on := add(written, apart)):
            raise RefusedError(
                f"{row.card.number}, which holds the same content, was written to on {written}; "
                f"{card.number} may be refreshed from {free_on} on, since the policy wants {apart} "
                "between them (siblings_apart in [visits]). Nothing was written"
            )
