"""When a drive falls due."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.cards import Carrier, DriveCard, Evidence
from refreshd.planning import CountsFrom, due_dates
from refreshd.policy import DrivePolicy, Policy, resolve
from refreshd.quantities import DriveNumber, MediumKind

CARD = DriveCard(
    number=DriveNumber("K07"),
    shelfmark="R2-B04-S3",
    title="Sound recordings of the lighthouse keepers",
    medium=MediumKind.HARD_DISK,
    evidence=Evidence(Carrier.BLOCK, 4_000_000_000_000, 512, 4096),
    chunk_bytes=4 * 1024 * 1024,
    accessioned_on=date(2024, 3, 15),
)
DATES = st.dates(min_value=date(1990, 1, 1), max_value=date(2150, 12, 31))


def policy(refresh: str = "3 years", fixity: str = "1 year") -> DrivePolicy:
    """Return the values in force for a hard disk with these intervals."""
    defaults = {"refresh_interval": refresh, "fixity_interval": fixity}
    return resolve(Policy.model_validate({"defaults": defaults}), MediumKind.HARD_DISK)


def test_a_proved_rewrite_outweighs_every_other_date() -> None:
    """I4: what was proved counts, not what is claimed."""
    card = replace(CARD, claimed_written_on=date(2010, 1, 1))

    due = due_dates(card, date(2025, 6, 1), policy(), date(2026, 1, 1))

    assert due.due == date(2028, 6, 1)
    assert due.counts_from is CountsFrom.LAST_REWRITE
    assert "proved rewrite on 2025-06-01" in due.reason


def test_a_claim_counts_while_nothing_is_proved_and_is_called_a_claim() -> None:
    """I4: a date the owner claims is kept as a claim."""
    card = replace(CARD, claimed_written_on=date(2020, 2, 29))

    due = due_dates(card, None, policy(), date(2024, 3, 15))

    assert due.due == date(2023, 2, 28)
    assert due.counts_from == "claimed date"
    assert due.overdue_days == 381  # 28 February 2023 to 15 March 2024: 366 + 15 days
    assert "claimed and was never proved" in due.reason


def test_without_any_date_the_accession_counts() -> None:
    """Nothing better is known; the reason says that the content is older."""
    due = due_dates(CARD, None, policy(), date(2024, 3, 15))

    assert due.due == date(2027, 3, 15)
    assert due.counts_from == "accession"
    assert due.counted_date == date(2024, 3, 15)
    assert "some time before" in due.reason


def test_a_claim_later_than_the_accession_is_not_believed() -> None:
    """I4: what was recorded at accession cannot have been written after it."""
    card = replace(CARD, claimed_written_on=date(2024, 3, 16))

    assert due_dates(card, None, policy(), CARD.accessioned_on).counts_from == "accession"

    card = replace(CARD, claimed_written_on=date(2024, 3, 15))

    assert due_dates(card, None, policy(), CARD.accessioned_on).counts_from == "claimed date"


@pytest.mark.parametrize(
    ("last_rewrite", "interval", "due"),
    [
        (date(2024, 8, 31), "18 months", date(2026, 2, 28)),
        (date(2024, 2, 29), "3 years", date(2027, 2, 28)),
        (date(2024, 2, 29), "4 years", date(2028, 2, 29)),
        (date(2023, 5, 1), "3 years", date(2026, 5, 1)),
        (date(2023, 12, 31), "2 months", date(2024, 2, 29)),
        (date(2023, 1, 1), "1095 days", date(2025, 12, 31)),
    ],
)
def test_intervals_count_calendar_years(last_rewrite: date, interval: str, due: date) -> None:
    """Month ends and leap days included. Expected dates: counted by hand."""
    found = due_dates(CARD, last_rewrite, policy(interval), date(2024, 9, 1))

    assert found.due == due


@pytest.mark.parametrize(
    ("as_of", "overdue_days"),
    [
        (date(2020, 1, 1), 0),
        (date(2026, 4, 30), 0),
        (date(2026, 5, 1), 0),
        (date(2026, 5, 2), 1),
        (date(2027, 5, 1), 365),
    ],
)
def test_a_drive_is_overdue_only_after_its_day(as_of: date, overdue_days: int) -> None:
    """On the day itself it is due, not overdue; before, the count is 0 and not negative."""
    due = due_dates(CARD, date(2023, 5, 1), policy(), as_of)

    assert due.overdue_days == overdue_days


def test_the_fixity_pass_has_its_own_dates() -> None:
    """It counts from the last complete comparison, and before the first from the accession."""
    never_read = due_dates(CARD, date(2025, 1, 1), policy(), date(2025, 3, 20))
    read = due_dates(
        replace(CARD, last_fixity=date(2025, 3, 31)),
        None,
        policy(fixity="11 months"),
        date(2026, 3, 1),
    )

    assert (never_read.fixity_due, never_read.fixity_overdue_days) == (date(2025, 3, 15), 5)
    assert never_read.fixity_counts_from == "accession"
    assert (read.fixity_due, read.fixity_overdue_days) == (date(2026, 2, 28), 1)
    assert read.fixity_counts_from == "last fixity"


def test_a_date_at_the_end_of_the_calendar_is_no_error() -> None:
    """An absurd date on a card must not keep the shelf from being listed."""
    due = due_dates(CARD, date(9999, 1, 1), policy(), date(2024, 1, 1))

    assert due.due == date.max


@given(DATES, DATES, st.none() | DATES, st.none() | DATES)
def test_overdue_days_are_the_days_since_the_due_date(
    accessioned: date, as_of: date, last_rewrite: date | None, claimed: date | None
) -> None:
    """Never negative; and the same drive asked about a day later is due on the same day."""
    card = replace(CARD, accessioned_on=accessioned, claimed_written_on=claimed)

    due = due_dates(card, last_rewrite, policy(), as_of)
    next_day = due_dates(card, last_rewrite, policy(), as_of + timedelta(days=1))

    assert due.overdue_days == max(0, (as_of - due.due).days)
    assert due.due > due.counted_date
    assert next_day.due == due.due
    assert next_day.overdue_days - due.overdue_days in (0, 1)
    assert due.counted_date <= accessioned or due.counts_from is CountsFrom.LAST_REWRITE
