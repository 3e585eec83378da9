"""What is to be written down about slips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.cards import Carrier, DriveCard, Evidence, Presence, Slip, SlipState, Stay
from refreshd.events import SlipIssued, SlipLapsed, SlipReminded, SlipReturned
from refreshd.policy import Policy
from refreshd.quantities import MIB, DriveNumber, Errand, MediumKind, SlipNumber
from refreshd.slips import SlipChange, SlipView, backlog, changes, next_change, reminder_on
from refreshd.wants import PlannedVisit

NOW = datetime(2031, 6, 2, 9, 30, tzinfo=UTC)
TODAY = NOW.date()


def card(at: int, holding: str | None = None) -> DriveCard:
    """Return the card of a drive that was taken in."""
    return DriveCard(
        DriveNumber(f"K{at:02}"), "R2-B04", "Lighthouse logs", MediumKind.HARD_DISK,
        Evidence(Carrier.BLOCK, 4 * 10**12, 512, 4096), 4 * MIB, date(2028, 1, 1),
        is_taken_in=True, holding=holding,
    )  # fmt: skip


def visit(at: int, on: date = TODAY, due_on: date = date(2031, 6, 10)) -> PlannedVisit:
    """Return a planned fixity pass."""
    grace = due_on + timedelta(days=92)
    number = DriveNumber(f"K{at:02}")
    return PlannedVisit(number, Errand.FIXITY, on, due_on, grace, "It is due.", 30_000)


def slip(at: int, state: SlipState = SlipState.ISSUED, **more: object) -> Slip:
    """Return an open slip of 25 May, due on 10 June."""
    made = Slip(
        SlipNumber(at), DriveNumber(f"K{at:02}"), Errand.FIXITY, "It is due.", date(2031, 5, 25),
        date(2031, 6, 10), date(2031, 9, 10), state, date(2031, 5, 25),
    )  # fmt: skip
    return replace(made, **more)  # type: ignore[arg-type]  # named fields of a slip


def stay(at: int, hours: float, released_hours: float | None = None) -> Stay:
    """Return a stay that began so many hours ago."""
    released = None if released_hours is None else NOW - timedelta(hours=released_hours)
    since = NOW - timedelta(hours=hours)
    return Stay(DriveNumber(f"K{at:02}"), "/dev/sdb", Presence("b", at), since, released)


def view(
    drives: int,
    planned: Sequence[PlannedVisit] = (),
    slips: Sequence[Slip] = (),
    stays: Sequence[Stay] = (),
    **more: object,
) -> SlipView:
    """Return a view of so many drives."""
    cards = [card(at) for at in range(drives)]
    made = SlipView(cards, planned, slips, stays, SlipNumber(50))
    return replace(made, **more)  # type: ignore[arg-type]  # named fields of a view


def policy(bays: int = 2, **slips: object) -> Policy:
    """Return a policy."""
    return Policy.model_validate({"visits": {"bays": bays}, "slips": slips})


def after(seen: SlipView, rules: Policy, now: datetime = NOW) -> tuple[SlipChange, ...]:
    """Return what is to be recorded."""
    return changes(seen, rules, now)


def test_as_many_drives_are_asked_for_as_bays_are_free() -> None:
    """The most urgent first, each with a number of its own."""
    issued = after(view(5, [visit(at) for at in (3, 1, 4)]), policy())

    assert [(one.drive, one.slip) for one in issued] == [("K03", 50), ("K01", 51)]
    assert all(isinstance(one, SlipIssued) for one in issued)


def test_what_is_plugged_in_or_asked_for_takes_up_a_bay() -> None:
    """Never more drives are asked for than can be plugged in."""
    wanted = [visit(at) for at in (3, 4)]
    asked = [slip(at, changed_on=TODAY) for at in (1, 2)]
    all_due = [visit(at) for at in (1, 2, 3, 4)]

    assert after(view(5, all_due, asked), policy()) == ()
    assert after(view(5, wanted, stays=[stay(1, 1), stay(2, 1)]), policy()) == ()
    assert after(view(5, wanted, other_bays_taken=2), policy()) == ()
    put_away = slip(1, SlipState.TO_PUT_AWAY, changed_on=TODAY)
    assert len(after(view(5, wanted, [put_away], [stay(1, 9, 1)]), policy())) == 1


def test_a_drive_that_was_put_away_takes_up_no_bay_while_its_return_is_to_be_confirmed() -> None:
    """Its slip is open, its port is free."""
    waiting = [slip(at, SlipState.TO_PUT_AWAY, changed_on=TODAY) for at in (1, 2)]

    issued = after(view(5, [visit(3), visit(1)], waiting), policy(confirm_return=True))

    assert [one.drive for one in issued] == ["K03"]  # K01 has a slip already


def test_nothing_is_asked_for_before_its_day() -> None:
    """The plan decides when."""
    assert after(view(2, [visit(1, TODAY + timedelta(days=1))]), policy()) == ()
    held_back = {DriveNumber("K01"): TODAY + timedelta(days=1)}
    assert after(view(2, [visit(1)], not_before=held_back), policy()) == ()
    assert after(view(2, [visit(1)], at_work=frozenset({DriveNumber("K01")})), policy()) == ()


def test_two_copies_are_never_asked_for_at_the_same_time() -> None:
    """I9; a drive that nobody brings in a fortnight does not hold up its copies any more."""
    copies = [card(at, "tides") for at in range(3)]
    seen = view(3, [visit(1), visit(2)], cards=copies)

    assert [one.drive for one in after(seen, policy())] == ["K01"]
    assert after(replace(seen, planned=[visit(2)], stays=[stay(0, 1)]), policy()) == ()

    out = slip(1, changed_on=TODAY - timedelta(days=13), reminders=1, reminded_on=TODAY)
    long_out = replace(out, changed_on=TODAY - timedelta(days=14))
    assert after(replace(seen, slips=[out]), policy()) == ()
    assert [one.drive for one in after(replace(seen, slips=[long_out]), policy())] == ["K02"]


@pytest.mark.parametrize(
    ("said", "on"),
    [(0, (2031, 6, 7)), (1, (2031, 6, 14)), (2, (2031, 6, 28)), (3, (2031, 7, 12))],
)
def test_reminders_come_at_the_times_of_the_policy(said: int, on: tuple[int, int, int]) -> None:
    """After 7, 14 and 28 days, then every 14; the last of the list escalates, and all after it."""
    issued = date(2031, 5, 31)
    one = slip(1, changed_on=issued, reminders=said, due_on=date(2032, 1, 1))
    one = replace(one, grace_ends_on=date(2032, 4, 1))
    seen = view(2, [visit(1, due_on=date(2032, 1, 1))], [one])
    at = datetime(*on, 8, tzinfo=UTC)

    assert after(seen, policy(), at - timedelta(days=1)) == ()
    (reminder,) = after(seen, policy(), at)

    assert isinstance(reminder, SlipReminded)
    assert reminder.is_escalated == (said >= 2)


def test_months_of_the_calendar_are_counted_as_such() -> None:
    """One month after 31 January is the last of February."""
    rules = policy(reminders=["1 month", "2 months"]).slips
    one = slip(1, changed_on=date(2032, 1, 31))

    assert reminder_on(one, rules) == date(2032, 2, 29)
    assert reminder_on(replace(one, reminders=1), rules) == date(2032, 3, 31)


def test_reminders_that_were_missed_are_not_made_up_for() -> None:
    """A server that was off for two months says it once, not daily until it has caught up."""
    missed = slip(1, changed_on=date(2031, 4, 1), reminders=1, reminded_on=TODAY)
    seen = view(2, [visit(1)], [missed])

    said_on = [day for day in range(30) if after(seen, policy(), NOW + timedelta(days=day))]

    assert said_on[0] == 7


def test_a_slip_past_its_grace_escalates() -> None:
    """Whatever the reminders; once."""
    late = slip(1, grace_ends_on=TODAY, reminded_on=TODAY, reminders=1)

    (escalation,) = after(view(3, [visit(1)], [late]), policy())

    assert isinstance(escalation, SlipReminded)
    assert escalation.is_escalated


def test_who_is_asked_today_is_not_blamed_today() -> None:
    """L5: the first word about a drive is no reproach, however late it is; the next day's is."""
    overdue = replace(visit(2), grace_ends_on=TODAY - timedelta(days=30))
    asked = slip(2, grace_ends_on=overdue.grace_ends_on, changed_on=TODAY)
    yesterday = replace(asked, changed_on=TODAY - timedelta(days=1))

    assert [type(one) for one in after(view(3, [overdue]), policy())] == [SlipIssued]
    assert after(view(3, [overdue], [asked]), policy()) == ()
    assert [type(one) for one in after(view(3, [overdue], [yesterday]), policy())] == [SlipReminded]


def test_a_drive_that_stands_at_its_bay_for_weeks_is_spoken_of() -> None:
    """A pause that nobody ends, or a disk that hangs, takes up a bay."""
    brought = slip(1, SlipState.ANSWERED, changed_on=TODAY - timedelta(days=28))
    seen = view(2, [visit(1)], [brought], [stay(1, 600)])

    (escalation,) = after(seen, policy())

    assert isinstance(escalation, SlipReminded)
    assert escalation.is_escalated
    assert after(seen, policy(), NOW - timedelta(days=1)) == ()


def test_a_slip_that_nobody_answers_lapses_and_is_issued_again() -> None:
    """The new one names the old one; the drive never waits without one."""
    old = slip(1, changed_on=date(2031, 3, 2), is_escalated=True)

    lapsed, again = after(view(4, [visit(2), visit(1)], [old, slip(3)]), policy())[:2]

    assert isinstance(lapsed, SlipLapsed)
    assert isinstance(again, SlipIssued)
    assert (again.drive, again.reissue_of, again.slip) == ("K01", 1, 50)
    assert "2031-03-02" in lapsed.why


def test_a_slip_that_is_not_wanted_any_more_lapses() -> None:
    """The pass was done by hand: nothing is due for a year."""
    done = visit(1, on=date(2032, 5, 20), due_on=date(2032, 5, 27))

    (lapsed,) = after(view(2, [done], [slip(1)]), policy())

    assert isinstance(lapsed, SlipLapsed)
    assert "nothing is due for the drive before 2032-05-27" in lapsed.why


def test_a_slip_stays_where_only_the_plan_has_moved() -> None:
    """Nobody is sent back because other drives were taken into care."""
    moved = visit(1, on=TODAY + timedelta(days=9))

    assert after(view(2, [moved], [slip(1, changed_on=TODAY)]), policy()) == ()


def test_a_refresh_of_a_drive_that_was_put_on_hold_is_not_asked_for() -> None:
    """It is asked for to be read instead, where that is due."""
    held = replace(card(1), hold="it is evidence")
    seen = view(0, [visit(1)], [slip(1, errand=Errand.REFRESH)], cards=[held])

    lapsed, again = after(seen, policy())

    assert isinstance(lapsed, SlipLapsed)
    assert "it is evidence" in lapsed.why
    assert isinstance(again, SlipIssued)
    assert again.errand is Errand.FIXITY


def test_a_drive_left_connected_is_spoken_of_daily() -> None:
    """A drive that stays connected is no defence; the third time escalates."""
    out = slip(1, SlipState.TO_PUT_AWAY, changed_on=TODAY)
    seen = view(2, slips=[out], stays=[stay(1, 30, released_hours=11.9)])
    later = view(2, slips=[out], stays=[stay(1, 30, released_hours=12)])
    third = replace(out, reminders=2, reminded_on=TODAY - timedelta(days=1))

    assert after(seen, policy()) == ()
    assert next_change(seen, policy(), NOW) == NOW + timedelta(hours=0.1)
    assert [one.slip for one in after(later, policy())] == [1]
    again = replace(out, reminders=1, reminded_on=TODAY)
    assert after(replace(later, slips=[again]), policy()) == ()
    (escalation,) = after(replace(later, slips=[third]), policy())
    assert isinstance(escalation, SlipReminded)
    assert escalation.is_escalated


def test_a_drive_without_a_slip_and_without_work_is_asked_to_be_put_away() -> None:
    """After the same time; such a slip ends when the drive is gone."""
    (issued,) = after(view(2, stays=[stay(1, 12)]), policy())

    assert isinstance(issued, SlipIssued)
    assert issued.errand is Errand.PUT_AWAY
    assert after(view(2, stays=[stay(1, 11)]), policy()) == ()
    busy = frozenset({DriveNumber("K01")})
    assert after(view(2, stays=[stay(1, 12)], at_work=busy), policy()) == ()

    gone = slip(1, SlipState.TO_PUT_AWAY, errand=Errand.PUT_AWAY)
    (returned,) = after(view(2, slips=[gone]), policy(confirm_return=True))
    assert isinstance(returned, SlipReturned)


def test_a_return_that_nobody_confirms_is_reminded_of() -> None:
    """Where the policy wants to hear it."""
    out = slip(1, SlipState.TO_PUT_AWAY, changed_on=TODAY - timedelta(days=7))

    assert isinstance(after(view(2, slips=[out]), policy(confirm_return=True))[0], SlipReminded)
    assert isinstance(after(view(2, slips=[out]), policy())[0], SlipReturned)


def test_what_waits_past_its_grace_without_a_slip_is_told_a_week_ahead() -> None:
    """Nothing passes its grace unheard because the bays are taken."""
    overdue = [
        replace(visit(at), due_on=date(2031, 3, at), grace_ends_on=TODAY + timedelta(days=at))
        for at in (8, 7, 2, 1)
    ]
    found = backlog(view(9, overdue, [slip(2)]), NOW)

    assert found is not None
    assert [one.drive for one in found.visits] == ["K01", "K07"]
    assert "K01, K07" in found.sentence
    assert backlog(view(9, overdue[:1]), NOW) is None


STATES = st.sampled_from([None, *(state for state in SlipState if state.is_open)])
PLACES = st.lists(
    st.tuples(STATES, st.booleans(), st.integers(0, 120), st.integers(-200, 60)),
    min_size=1,
    max_size=9,
)


@given(PLACES, st.integers(1, 4))
def test_no_round_asks_for_more_than_the_bays_or_twice_for_a_drive(
    places: list[tuple[SlipState | None, bool, int, int]], bays: int
) -> None:
    """Whatever is open, lapses or is left behind; and what was recorded is not said again."""
    slips, stays, planned = [], [], []
    for at, (state, is_here, age, due) in enumerate(places):
        day = TODAY + timedelta(days=due)
        planned.append(replace(visit(at), due_on=day, grace_ends_on=day + timedelta(days=92)))
        if state is not None:
            changed = TODAY - timedelta(days=age)
            slips.append(slip(at, state, changed_on=changed, grace_ends_on=day, due_on=day))
        if is_here:
            stays.append(stay(at, age, age / 2 if state is SlipState.TO_PUT_AWAY else None))
    seen = view(len(places), planned, slips, stays)

    found = after(seen, policy(bays))

    issued = [one for one in found if isinstance(one, SlipIssued)]
    lapsed = {one.drive for one in found if isinstance(one, SlipLapsed)}
    ended = lapsed | {one.drive for one in found if isinstance(one, SlipReturned)}
    open_before = {one.drive for one in slips}
    assert [one.slip for one in issued] == [50 + at for at in range(len(issued))]
    assert len({one.drive for one in issued}) == len(issued)
    assert not {one.drive for one in issued} & (open_before - ended)
    here = {one.drive for one in stays}
    new = [one for one in issued if one.drive not in lapsed | here]
    asking = {SlipState.ISSUED, SlipState.ANSWERED}
    taken = here | {one.drive for one in slips if one.state in asking and one.drive not in ended}
    again = {one.drive for one in issued if one.drive in lapsed}
    assert not new or len(taken | again) + len(new) <= bays
    assert len([one for one in found if isinstance(one, SlipReminded)]) <= len(places)


def test_a_drive_that_cannot_be_found_does_not_end_the_care_of_others() -> None:
    """L2: nobody brought it twice over, and it escalated; its bay serves another drive."""
    lost = slip(0, reissue_of=SlipNumber(40), is_escalated=True, reminded_on=TODAY)
    planned = [visit(at) for at in range(3)]

    assert [one.drive for one in after(view(3, planned, [lost]), policy(1))] == ["K01"]


def test_no_more_lost_drives_than_bays_are_let_off() -> None:
    """L2: however long nobody is there, people are not asked for the whole shelf."""
    lost = [
        slip(at, reissue_of=SlipNumber(40), is_escalated=True, reminded_on=TODAY) for at in range(2)
    ]
    planned = [visit(at) for at in range(4)]

    assert after(view(4, planned, lost), policy(1)) == ()


@pytest.mark.parametrize(
    "kept",
    [
        slip(0, reminded_on=TODAY),
        slip(0, reminded_on=TODAY, is_escalated=True),
        slip(0, reminded_on=TODAY, reissue_of=SlipNumber(40)),
    ],
)
def test_a_drive_that_may_still_be_brought_keeps_its_bay(kept: Slip) -> None:
    """L2: an escalation alone, or a reissue alone, asks for no further drive."""
    planned = [visit(at) for at in range(2)]

    assert after(view(2, planned, [kept]), policy(1)) == ()


def test_a_drive_that_came_today_is_not_escalated() -> None:
    """L5: somebody is at it; the day after, it is late as any other."""
    came = slip(0, SlipState.ANSWERED, changed_on=TODAY, grace_ends_on=date(2031, 6, 1))
    stands = replace(came, changed_on=TODAY - timedelta(days=1))
    here = [stay(0, 1)]

    assert after(view(1, [], [came], here), policy()) == ()
    assert [type(one) for one in after(view(1, [], [stands], here), policy())] == [SlipReminded]


def test_a_drive_that_is_here_is_asked_for_without_an_escalation() -> None:
    """L5: taken into care a moment ago with an old date, it is late, and nobody is."""
    planned = [visit(0, due_on=date(2024, 5, 1))]

    assert [type(one) for one in after(view(1, planned, [], [stay(0, 1)]), policy())] == [
        SlipIssued
    ]
