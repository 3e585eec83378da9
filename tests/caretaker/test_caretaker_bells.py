"""Bells: nothing is missed by sleeping from bell to bell, and sleeping costs nearly nothing."""

from __future__ import annotations

from datetime import datetime, timedelta
from time import perf_counter

from refreshd.cards import SlipState
from refreshd.quantities import DriveNumber
from refreshd.simulated.clock import SimulatedClock
from tests.caretaker.premises import (
    K07,
    SDB,
    START,
    THREE_YEARS_S,
    Premises,
    a_due_drive,
    every_three_years,
)


class GoingOn(SimulatedClock):
    """A clock that goes on while it is read, as every real one does."""

    def now(self) -> datetime:
        """Return the time, a moment after it was asked last."""
        self.sleep(1e-6)
        return super().now()


def bells_until(there: Premises, end: datetime) -> int:
    """Sleep from bell to bell until a moment; return how many rang."""
    count = 0
    while (there.caretaker.next_bell() or end) < end:
        there.sleep_until_bell()
        count += 1
    return count


def test_there_is_no_bell_before_the_start() -> None:
    """Nothing is waited for by a caretaker that was not started."""
    assert Premises().caretaker.next_bell() is None


def test_an_idle_service_is_rung_a_few_times_an_hour_at_most() -> None:
    """With nothing plugged in: once an hour, and at the change of the day."""
    there = Premises()
    there.take_into_care()
    there.caretaker.started([])
    count = bells_until(there, there.clock.now() + timedelta(days=2))

    assert count <= 2 * 24 + 2


def test_a_bell_is_always_in_the_future() -> None:
    """A caretaker that wants to be rung in the past would be rung for ever."""
    there = a_due_drive({"visits": {"quiet_hours": ["22:00-06:00"], "longest_visit": "20 hours"}})
    there.plug_in()
    for _ in range(400):
        at = there.caretaker.next_bell()
        assert at is not None
        assert at > there.clock.now()
        there.sleep_until_bell()


def test_a_drive_that_stays_for_days_rings_no_bell_over_and_over() -> None:
    """On a clock that goes on while it is read, what is over must not look like this moment."""
    there = Premises(clock=GoingOn(START))
    there.take_into_care(written_on=START.date() - timedelta(days=3000))
    there.caretaker.pause("ruth", None)
    there.caretaker.started([])
    there.plug_in()
    there.end_worker()
    there.wait(3 * 86400.0)
    at = there.caretaker.next_bell()

    assert at is not None
    assert at > there.clock.now() + timedelta(minutes=1)


def test_a_drive_is_asked_for_on_its_day_by_bells_alone() -> None:
    """Three years from bell to bell: asked for within a day of the plan's own day, and reminded."""
    there = Premises(every_three_years())
    there.take_into_care()
    there.caretaker.started([])
    planned = there.caretaker.status().planned[0]
    while there.state() is None:
        there.sleep_until_bell()
    assert there.slip().issued_on == planned.on
    while there.slip().reminders == 0:
        there.sleep_until_bell()

    assert there.clock.now().date() - planned.on == timedelta(days=7)


def test_a_slip_that_nobody_answers_escalates_and_lapses_by_bells_alone() -> None:
    """Reminders, escalation and lapse come without anything else happening."""
    there = a_due_drive()
    first = there.slip().number
    bells_until(there, there.clock.now() + timedelta(days=100))

    reissued = there.slip()
    assert reissued.reissue_of == first
    assert there.notices.with_words("Still not done") != []
    assert len(there.notices.with_words("Reminder: Please bring out drive K07")) >= 3


def test_a_bell_that_rings_too_early_does_no_harm() -> None:
    """Whatever rings between, nothing is said or recorded twice."""
    there = a_due_drive()
    records, notices = len(there.kinds()), len(there.notices.posted)
    for _ in range(100):
        there.wait(1)

    assert (len(there.kinds()), len(there.notices.posted)) == (records, notices)


def test_a_clock_set_back_is_noticed_by_an_early_bell() -> None:
    """A caretaker that waits for a moment far ahead looks when time has gone back (I4)."""
    there = a_due_drive()
    there.clock.time -= timedelta(days=3)
    there.caretaker.bell()

    assert "behind" in there.caretaker.status().clock_alarm


def test_the_service_life_of_a_drive_goes_by_on_bells() -> None:
    """Twelve years of one drive, from bell to bell: each visit asked for, done and put away."""
    there = Premises(every_three_years())
    there.take_into_care()
    there.caretaker.started([])
    end = there.clock.now() + timedelta(days=12 * 365)
    seen = 0
    while there.clock.now() < end:
        there.sleep_until_bell()
        if there.state() is SlipState.ISSUED:
            there.plug_in(K07, SDB)
            there.finish_visit()
            there.release()
            there.caretaker.left(SDB)
            seen += 1

    assert 4 <= seen <= 5
    assert there.state() is None
    assert there.ledger.stays() == ()


# --- Cost


def a_large_shelf(drives: int = 1000) -> Premises:
    """Return premises with many drives that were taken in over three years, and one bay."""
    there = Premises(every_three_years())
    for place in range(drives):
        there.clock.sleep(THREE_YEARS_S / drives)
        there.take_into_care(DriveNumber(f"D{place:04}"))
    there.caretaker.started([])
    return there


def test_a_thousand_drives_cost_next_to_nothing_when_idle() -> None:
    """A bell with nothing to do: below 2 ms; the plan of the day: below half a second."""
    there = a_large_shelf()
    there.clock.sleep(86400)
    begun = perf_counter()
    there.caretaker.bell()
    planning_s = perf_counter() - begun
    begun = perf_counter()
    for _ in range(50):
        there.wait(30)
    bell_s = (perf_counter() - begun) / 50

    assert planning_s < 0.5
    assert bell_s < 0.002


def test_a_bell_with_drives_at_work_is_cheap_too() -> None:
    """With a pass under way and a drive that waits, among a thousand: below 2 ms."""
    there = a_large_shelf()
    asked = [slip.drive for slip in there.ledger.slips()]
    there.plug_in(asked[0], SDB)
    assert there.bays.count("visit") == 1
    begun = perf_counter()
    for _ in range(50):
        there.move(1)
        there.wait(30)
    bell_s = (perf_counter() - begun) / 50

    assert bell_s < 0.002
