"""When a drive is asked out for a health reading, and what a drive that fails is asked out for."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from refreshd.cards import Carrier, DriveCard, Evidence, LastRewrite, ShelfRow
from refreshd.health_cards import EvidenceLine, HealthState, Part, Verdict
from refreshd.policy import Policy
from refreshd.quantities import MIB, DriveNumber, Errand, MediumKind
from refreshd.spreading import load_of, plan

TODAY = date(2031, 6, 2)
TB = 10**12
WITH_VISITS = Policy.model_validate({"visits": {"bays": 2}})
EVERY_FOUR_MONTHS = Policy.model_validate(
    {"visits": {"bays": 2}, "defaults": {"health_interval": "4 months"}}
)
HEALTH = Errand.HEALTH
MOVED = "80 sectors moved to spares since March 2031."


def row(
    health: HealthState | None = None,
    read: date = date(2031, 2, 1),
    rewritten: date = date(2030, 2, 1),
    at: int = 1,
) -> ShelfRow:
    """Return a drive of 4 TB that was taken in."""
    card = DriveCard(
        number=DriveNumber(f"K{at:03}"),
        shelfmark="R2-B04",
        title="Tide tables",
        medium=MediumKind.HARD_DISK,
        evidence=Evidence(Carrier.BLOCK, 4 * TB, 512, 4096),
        chunk_bytes=4 * MIB,
        accessioned_on=date(2028, 1, 1),
        is_taken_in=True,
        last_fixity=read,
        health=health,
    )
    return ShelfRow(card, LastRewrite(rewritten, 0))


def state(verdict: Verdict = Verdict.FIT, on: date = date(2031, 2, 1)) -> HealthState:
    """Return where a drive's health stands since its last reading."""
    line = EvidenceLine(Part.COATING, verdict, MOVED)
    return HealthState(verdict, on, (line,), judged_on=on)


def test_a_reading_is_asked_out_when_no_visit_brings_one() -> None:
    """S9: a little ahead, and the slip says since when it is counted."""
    (visit,) = plan([row(state())], EVERY_FOUR_MONTHS, TODAY)

    assert (visit.errand, visit.due_on) == (Errand.HEALTH, date(2031, 6, 1))
    assert visit.on == TODAY
    assert "every 4 months" in visit.reason
    assert "the last one was on 2031-02-01" in visit.reason
    assert visit.expected_s == 300


def test_by_default_a_drive_is_asked_with_its_visits() -> None:
    """S9: nobody walks for a reading alone."""
    (visit,) = plan([row(state(on=date(2029, 1, 1)))], WITH_VISITS, TODAY)

    assert visit.errand is Errand.FIXITY
    assert visit.due_on == date(2032, 2, 1)


def test_a_drive_that_was_never_asked_is_counted_from_its_accession() -> None:
    """S9: it is due at once where that is long ago."""
    (visit,) = plan([row(None)], EVERY_FOUR_MONTHS, TODAY)

    assert (visit.errand, visit.due_on) == (Errand.HEALTH, date(2028, 5, 1))
    assert "never asked" in visit.reason


def test_a_fixity_pass_due_soon_after_takes_the_place_of_a_reading() -> None:
    """S9: the drive is not fetched twice within a month."""
    (joined,) = plan([row(state(), read=date(2030, 6, 28))], EVERY_FOUR_MONTHS, TODAY)
    (apart,) = plan([row(state(), read=date(2030, 7, 15))], EVERY_FOUR_MONTHS, TODAY)

    assert joined.errand is Errand.FIXITY
    assert apart.errand is Errand.HEALTH


def test_a_refresh_due_soon_after_takes_the_place_of_a_reading() -> None:
    """S9: likewise, and no sooner than that."""
    (joined,) = plan([row(state(), rewritten=date(2028, 6, 20))], EVERY_FOUR_MONTHS, TODAY)
    (apart,) = plan([row(state(), rewritten=date(2028, 8, 20))], EVERY_FOUR_MONTHS, TODAY)

    assert joined.errand is Errand.REFRESH
    assert apart.errand is Errand.HEALTH


def test_a_silent_drive_is_not_fetched_for_another_silence() -> None:
    """S9: it comes with its passes."""
    silent = replace(state(on=date(2030, 1, 1)), is_silent=True)
    (visit,) = plan([row(silent)], EVERY_FOUR_MONTHS, TODAY)

    assert visit.errand is Errand.FIXITY


def test_readings_that_fall_due_together_are_levelled() -> None:
    """S3: forty readings of one day are not asked for on one day."""
    rows = [row(state(on=date(2031, 3, 15)), at=at) for at in range(40)]
    visits = plan(rows, EVERY_FOUR_MONTHS, TODAY)

    weeks = Counter((visit.on - TODAY).days // 7 for visit in visits if visit.errand is HEALTH)
    assert weeks.total() > len(rows) / 2
    assert max(weeks.values()) <= len(rows) / 2
    assert len(weeks) > 3


def test_readings_count_as_visits_in_what_the_bays_can_serve() -> None:
    """Three visits a year instead of one."""
    rows = [row(state(), at=at) for at in range(10)]

    seldom, often = load_of(rows, WITH_VISITS), load_of(rows, EVERY_FOUR_MONTHS)

    assert often.visits_a_month == pytest.approx(10 * 365.25 / 12 / 120, rel=0.01)
    assert often.visits_a_month > 2.5 * seldom.visits_a_month
    assert often.hours_a_month == pytest.approx(seldom.hours_a_month)


# --- Drives that are to be replaced


@pytest.mark.parametrize("verdict", [Verdict.COPY_OFF, Verdict.DO_NOT_WRITE])
def test_a_drive_to_be_replaced_is_read_at_once_and_the_slip_says_why(verdict: Verdict) -> None:
    """S10: read and copied, not rewritten, though its refresh is overdue."""
    bad = row(state(verdict, date(2031, 5, 20)), read=date(2030, 9, 1), rewritten=date(2026, 1, 1))
    (visit,) = plan([bad], WITH_VISITS, TODAY)

    assert (visit.errand, visit.on, visit.due_on) == (Errand.FIXITY, TODAY, date(2031, 5, 20))
    assert "not rewritten, sooner than on 2031-09-01" in visit.reason
    assert MOVED.rstrip(".") in visit.reason


def test_a_drive_to_be_replaced_is_read_twice_as_often() -> None:
    """S10: and not over and over, which would wear it out."""
    bad = row(state(Verdict.COPY_OFF, date(2031, 5, 20)), read=date(2031, 5, 19))
    (visit,) = plan([bad], WITH_VISITS, TODAY)

    assert (visit.errand, visit.due_on) == (Errand.FIXITY, date(2031, 11, 17))
    assert "not rewritten" in visit.reason


def test_a_drive_to_be_replaced_is_not_fetched_for_a_reading_and_again_to_be_read() -> None:
    """S9, S10: what is due within a month of its reading is done with it."""
    bad = row(state(Verdict.COPY_OFF, date(2031, 2, 4)), read=date(2030, 12, 10))
    (visit,) = plan([bad], EVERY_FOUR_MONTHS, TODAY)

    assert visit.errand is Errand.FIXITY


def test_a_drive_whose_hold_was_lifted_is_rewritten_until_it_says_something_new() -> None:
    """S10: somebody looked; a sector that waits is mended by writing."""
    bad = row(state(Verdict.DO_NOT_WRITE, date(2031, 5, 20)), rewritten=date(2026, 1, 1))
    lifted_at = datetime(2031, 5, 21, 9, 0, tzinfo=UTC)
    lifted = replace(bad, card=replace(bad.card, hold_lifted_at=lifted_at))
    again = state(Verdict.DO_NOT_WRITE, date(2031, 5, 22))
    said_again = replace(lifted, card=replace(lifted.card, health=again))

    errands = [plan([one], WITH_VISITS, TODAY)[0].errand for one in (bad, lifted, said_again)]
    assert errands == [Errand.FIXITY, Errand.REFRESH, Errand.FIXITY]


def test_watch_changes_nothing_in_the_plan() -> None:
    """S10 is about what asks for something."""
    well, watched = row(state()), row(state(Verdict.WATCH))

    assert plan([well], WITH_VISITS, TODAY) == plan([watched], WITH_VISITS, TODAY)
