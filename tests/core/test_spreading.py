"""On which day to ask for which drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import combinations, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.cards import (
    Carrier,
    DriveCard,
    Evidence,
    LastRewrite,
    PassState,
    Presence,
    ShelfRow,
)
from refreshd.durations import Duration, add
from refreshd.policy import Policy
from refreshd.quantities import MIB, DriveNumber, Errand, MediumKind, PassId, PassKind
from refreshd.spreading import LEVEL_DAYS, Planner, are_siblings, load_of, plan

TODAY = date(2031, 6, 2)
TB = 10**12


def row(  # noqa: PLR0913 - a drive has that much to say
    at: int,
    read: date | None = None,
    rewritten: date | None = None,
    *,
    accessioned: date = date(2028, 1, 1),
    refreshed: date | None = None,
    holding: str | None = None,
    hold: str | None = None,
) -> ShelfRow:
    """Return a drive of 4 TB that was taken in."""
    card = DriveCard(
        number=DriveNumber(f"K{at:03}"),
        shelfmark="R2-B04",
        title="Tide tables",
        medium=MediumKind.HARD_DISK,
        evidence=Evidence(Carrier.BLOCK, 4 * TB, 512, 4096),
        chunk_bytes=4 * MIB,
        accessioned_on=accessioned,
        is_taken_in=True,
        hold=hold,
        last_fixity=read,
        holding=holding,
    )
    ended = None if refreshed is None else datetime.combine(refreshed, datetime.min.time(), UTC)
    return ShelfRow(card, LastRewrite(rewritten, 0), last_refresh_at=ended)


def unfinished(drive: DriveNumber, kind: PassKind, next_chunk: int = 0) -> PassState:
    """Return a pass that was cut short on 20 May."""
    begun = datetime(2031, 5, 20, 9, tzinfo=UTC)
    return PassState(PassId(f"{drive}/4"), drive, kind, begun, next_chunk, Presence(), 16)


def policy(**visits: object) -> Policy:
    """Return a policy with two bays."""
    return Policy.model_validate({"visits": {"bays": 2, **visits}})


def test_a_drive_is_asked_for_shortly_before_it_is_due() -> None:
    """One week ahead, so that it can be brought; the slip still says the day of the policy."""
    (visit,) = plan([row(1, date(2030, 8, 31), date(2030, 8, 31))], policy(), TODAY)

    assert visit.errand is Errand.FIXITY
    assert (visit.due_on, visit.on) == (date(2031, 8, 31), date(2031, 8, 24))
    assert visit.grace_ends_on == date(2031, 11, 30)
    assert visit.reason == "It is due to be read and compared on 2031-08-31."


def test_a_refresh_that_is_due_soon_takes_the_place_of_a_fixity_pass() -> None:
    """A refresh reads and checks all: the drive is not brought twice within a quarter."""
    (joined,) = plan([row(1, date(2030, 6, 10), date(2028, 8, 1))], policy(), TODAY)
    (apart,) = plan([row(1, date(2030, 6, 10), date(2029, 1, 10))], policy(), TODAY)

    assert (joined.errand, joined.due_on) == (Errand.REFRESH, date(2031, 6, 10))
    assert "which does both" in joined.reason
    assert apart.errand is Errand.FIXITY


def test_an_unfinished_pass_wants_its_drive_back_at_once() -> None:
    """It goes before everything that is merely due, and only what is left of it is counted."""
    late = row(1, date(2029, 1, 1), date(2029, 1, 1))
    half = 4 * TB // (4 * MIB) // 2
    cut = row(2, date(2031, 1, 1), date(2031, 1, 1))
    cut = replace(cut, unfinished=(unfinished(cut.card.number, PassKind.REFRESH, half),))

    visits = plan([late, cut], policy(), TODAY)

    assert [visit.drive for visit in visits] == ["K002", "K001"]
    assert visits[0].errand is Errand.REFRESH
    assert (visits[0].on, visits[0].due_on) == (TODAY, date(2031, 5, 20))
    assert visits[0].expected_s == pytest.approx(3 * 2 * TB / 150e6, rel=0.001)
    assert "was cut short and goes on" in visits[0].reason


def test_a_held_drive_is_only_read() -> None:
    """I2: nothing may be written to it, also where a refresh of it is unfinished."""
    held = row(1, date(2030, 6, 1), date(2020, 1, 1), hold="its owner asked for it")
    held = replace(held, unfinished=(unfinished(held.card.number, PassKind.REFRESH),))

    (visit,) = plan([held], policy(), TODAY)

    assert (visit.errand, visit.due_on) == (Errand.FIXITY, date(2031, 6, 1))
    assert "only read" in visit.reason


def test_a_drive_that_was_not_recorded_to_its_end_is_asked_for() -> None:
    """Nothing on it can be checked until its accession goes on."""
    cut = row(1)
    cut = replace(cut, card=replace(cut.card, is_taken_in=False))

    (visit,) = plan([cut], policy(), TODAY)

    assert (visit.errand, visit.on) == (Errand.ACCESSION, TODAY)
    assert visit.errand.pass_kind is PassKind.ACCESSION


@pytest.mark.parametrize("carrier", [Carrier.IMAGE, Carrier.FOLDER])
def test_what_cannot_be_plugged_in_is_not_asked_for(carrier: Carrier) -> None:
    """Nobody can bring an image file out of a cupboard."""
    one = row(1, date(2020, 1, 1))
    image = replace(one.card, evidence=replace(one.card.evidence, carrier=carrier))
    withdrawn = replace(one.card, withdrawn_on=date(2031, 1, 1))

    assert plan([replace(one, card=image), replace(one, card=withdrawn)], policy(), TODAY) == ()


def test_a_refresh_that_left_its_drive_due_is_not_tried_again_at_once() -> None:
    """Whatever kept it from being rewritten is still there: no drive is brought daily in vain."""
    tried = row(1, date(2031, 5, 30), date(2027, 1, 1), refreshed=date(2031, 5, 30))

    (visit,) = plan([tried], policy(), TODAY)

    assert visit.on > TODAY + timedelta(days=60)


def test_long_visits_are_cut_into_several_and_quiet_hours_counted_in() -> None:
    """What is said of the duration is how long the drive stays."""
    one = [row(1, date(2030, 6, 5), date(2028, 6, 5))]  # a refresh: 22.2 hours of work

    (quiet,) = plan(one, policy(quiet_hours=["22:00-06:00"]), TODAY)
    (cut,) = plan(one, policy(longest_visit="10 hours"), TODAY)
    (never,) = plan(one, policy(quiet_hours=["00:00-12:00", "12:00-00:00"]), TODAY)

    assert quiet.expected_s == 80_000 + 8 * 3600
    assert (cut.expected_s, cut.sittings) == (36_000, 3)
    assert "about 3 visits" in cut.reason
    assert never.expected_s is None


def test_copies_are_not_planned_for_refresh_within_a_fortnight() -> None:
    """I9: one surge, fault or intruder must not reach both."""
    due = [row(at, date(2030, 6, 2), date(2028, 6, 2), holding="tides") for at in range(4)]

    days = sorted(visit.on for visit in plan(due, policy(), TODAY))

    assert all((later - earlier).days >= 14 for earlier, later in pairwise(days))


def test_a_copy_waits_for_the_refresh_of_the_other() -> None:
    """Counted from the day on which that one ended."""
    done = row(1, date(2031, 5, 30), date(2031, 5, 30), refreshed=date(2031, 5, 30), holding="t")
    due = row(2, date(2030, 6, 2), date(2028, 6, 2), holding="t")

    visits = {visit.drive: visit for visit in plan([done, due], policy(), TODAY)}

    assert visits[DriveNumber("K002")].on >= date(2031, 6, 13)
    assert are_siblings(done.card, due.card)
    assert not are_siblings(done.card, done.card)


def test_copies_that_fall_due_together_begin_early() -> None:
    """So that the last of them is not late."""
    due = [row(at, date(2031, 5, 1), date(2028, 12, 1), holding="tides") for at in range(5)]

    days = sorted(visit.on for visit in plan(due, policy(), TODAY))

    assert days[-1] <= date(2031, 12, 1)
    assert days[0] <= date(2031, 12, 1) - timedelta(days=4 * 14)


def year_of(rows: Sequence[ShelfRow], begin: date, rules: Policy, days: int = 365) -> list[date]:
    """Let drives be read on the day on which they are asked for; return those days."""
    held = {one.card.number: one for one in rows}
    planner, found = Planner(), []
    for day in (begin + timedelta(days=at) for at in range(days)):
        for visit in planner.plan(list(held.values()), rules, day):
            if visit.on <= day:
                one = held[visit.drive]
                is_refresh = visit.errand is Errand.REFRESH
                ended = datetime.combine(day, datetime.min.time(), UTC)
                held[visit.drive] = replace(
                    one,
                    card=replace(one.card, last_fixity=day),
                    rewritten=LastRewrite(day, 0) if is_refresh else one.rewritten,
                    last_refresh_at=ended if is_refresh else one.last_refresh_at,
                )
                found.append(day)
    return found


def busiest_window(days: Sequence[date]) -> int:
    """Return the most visits in any `LEVEL_DAYS` days."""
    window = timedelta(days=LEVEL_DAYS)
    return max(sum(1 for day in days if first <= day < first + window) for first in set(days))


def test_drives_bought_together_do_not_fall_due_together() -> None:
    """Forty drives of one day are read in nine months, about as many in each."""
    begin = date(2031, 1, 1)
    rows = [row(at, accessioned=begin, read=begin, rewritten=begin) for at in range(40)]

    days = year_of(rows, begin, policy())

    assert len(days) == 40
    assert min(days) > begin + timedelta(days=85)  # nobody wears a drive to fill a calendar
    assert busiest_window(days) <= 5  # four and a half in the mean


def test_a_lone_drive_is_not_asked_for_earlier_and_earlier() -> None:
    """Spreading must not creep: eight visits in eight years and a bit."""
    begin = date(2031, 1, 1)
    rows = [row(1, accessioned=begin, read=begin, rewritten=begin)]

    days = year_of(rows, begin, policy(), 8 * 365 + 30)

    assert len(days) == 8
    assert all((later - earlier).days >= 355 for earlier, later in combinations(days, 2))


def test_what_was_missed_is_caught_up_without_a_flood() -> None:
    """After half a year without a server a hundred drives are late; no month is crowded."""
    begin = date(2031, 1, 1)
    rows = [row(at, begin - timedelta(days=180 + at * 365 // 200), begin) for at in range(200)]

    days = year_of(rows, begin, policy(), 120)

    assert busiest_window(days) <= 1.3 * 200 * LEVEL_DAYS / 365 + 1
    assert len(days) >= 1.2 * 200 * 120 / 365


def test_the_plan_says_when_the_bays_are_too_few() -> None:
    """What cannot be done in the long run is said before it is late."""
    few, many = [row(at) for at in range(20)], [row(at) for at in range(2000)]

    assert not load_of(few, policy()).is_too_much
    assert load_of(many, policy()).is_too_much
    assert "more bays" in load_of(many, policy()).sentence


def test_the_same_rows_give_the_same_plan_whatever_was_planned_before() -> None:
    """What a planner keeps is no memory of its own."""
    rows = [row(at, date(2030, 6, 2) + timedelta(days=at)) for at in range(30)]
    planner = Planner()
    planner.plan(rows, policy(), TODAY - timedelta(days=90))
    planner.plan(rows[:10], policy(), TODAY)

    assert planner.plan(rows, policy(), TODAY) == plan(rows, policy(), TODAY)


DAYS = st.dates(min_value=date(2024, 1, 1), max_value=date(2040, 12, 31))
ROWS = st.lists(
    st.tuples(
        st.none() | DAYS,
        st.none() | DAYS,
        st.none() | DAYS,
        st.sampled_from([None, None, "a", "b"]),
    ),
    max_size=25,
)


@given(ROWS, DAYS, st.integers(1, 4))
def test_every_drive_is_planned_once_and_never_too_early(
    drives: list[tuple[date | None, date | None, date | None, str | None]], as_of: date, bays: int
) -> None:
    """Also with dates in the future, as a clock that is behind makes them; copies keep apart."""
    rows = [
        row(at, read, rewritten, refreshed=refreshed, holding=holding)
        for at, (read, rewritten, refreshed, holding) in enumerate(drives)
    ]

    visits = plan(rows, policy(bays=bays), as_of)

    assert sorted(visit.drive for visit in visits) == [one.card.number for one in rows]
    assert [visit.on for visit in visits] == sorted(visit.on for visit in visits)
    for visit in visits:
        assert visit.on >= as_of
        assert visit.on == as_of or visit.on >= add(as_of, Duration(days=1))
        assert visit.grace_ends_on == add(visit.due_on, Duration(months=3))
        assert (visit.due_on - visit.on).days <= 366
    cards = {one.card.number: one.card for one in rows}
    refreshes = [visit for visit in visits if visit.errand is Errand.REFRESH]
    for one, other in combinations(refreshes, 2):
        if are_siblings(cards[one.drive], cards[other.drive]):
            assert abs((one.on - other.on).days) >= 14
