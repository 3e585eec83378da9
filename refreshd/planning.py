"""When a drive falls due. Pure: dates in, dates out; nothing is due that is not asked about."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from refreshd.cards import DriveCard
from refreshd.durations import add
from refreshd.policy import DrivePolicy


class CountsFrom(StrEnum):
    """What a due date counts from."""

    LAST_REWRITE = "last rewrite"  # proved: of the oldest chunk (I4)
    CLAIMED_DATE = "claimed date"  # the owner says so, nobody proved it
    ACCESSION = "accession"  # nobody says when it was written; it was before that day
    LAST_FIXITY = "last fixity"


@dataclass(frozen=True, slots=True)
class Due:
    """When one drive falls due for a refresh and for a fixity pass, as seen on one day.

    Overdue days are 0 up to and on the due date itself, and never negative.
    """

    due: date
    counts_from: CountsFrom
    counted_date: date
    overdue_days: int
    fixity_due: date
    fixity_counts_from: CountsFrom
    fixity_overdue_days: int

    @property
    def reason(self) -> str:
        """Say in words what the refresh counts from, and how far that can be trusted."""
        day = self.counted_date.isoformat()
        return {
            CountsFrom.LAST_REWRITE: f"counted from the last proved rewrite on {day}",
            CountsFrom.CLAIMED_DATE: f"counted from {day}, which is claimed and was never proved",
            CountsFrom.ACCESSION: (
                f"counted from the accession on {day}; it was written at some time before"
            ),
        }[self.counts_from]


def due_dates(card: DriveCard, last_rewrite: date | None, policy: DrivePolicy, as_of: date) -> Due:
    """
    Work out when a drive falls due.

    Args:
        card: The drive's card; its claimed date, accession date and last fixity pass count.
        last_rewrite: Date of its oldest proved chunk, or None while there is none.
        policy: The values in force for this drive.
        as_of: The day on which the question is asked.

    Returns:
        Due dates in calendar arithmetic: three years after 29 February is 28 February.
    """
    counts_from, counted = _written_on(card, last_rewrite)
    due = add(counted, policy.refresh_interval)
    fixity_from, read_on = _read_on(card)
    fixity_due = add(read_on, policy.fixity_interval)
    return Due(
        due=due,
        counts_from=counts_from,
        counted_date=counted,
        overdue_days=_overdue_days(due, as_of),
        fixity_due=fixity_due,
        fixity_counts_from=fixity_from,
        fixity_overdue_days=_overdue_days(fixity_due, as_of),
    )


def _written_on(card: DriveCard, last_rewrite: date | None) -> tuple[CountsFrom, date]:
    """Return the date on which the content counts as written, and what that date is."""
    if last_rewrite is not None:
        return CountsFrom.LAST_REWRITE, last_rewrite
    claimed = card.claimed_written_on
    # What was recorded at accession cannot have been written later, whatever is claimed: a
    # date may be older than the truth, never newer (I4).
    if claimed is not None and claimed <= card.accessioned_on:
        return CountsFrom.CLAIMED_DATE, claimed
    return CountsFrom.ACCESSION, card.accessioned_on


def _read_on(card: DriveCard) -> tuple[CountsFrom, date]:
    """Return the date on which all of the drive was last read and compared, or first recorded."""
    if card.last_fixity is not None:
        return CountsFrom.LAST_FIXITY, card.last_fixity
    return CountsFrom.ACCESSION, card.accessioned_on


def _overdue_days(due: date, as_of: date) -> int:
    return max(0, (as_of - due).days)
