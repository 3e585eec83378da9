"""When a pass rests for heat: the state table, line by line, and random temperatures."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.health_cards import HeatLimits, HeatPause
from refreshd.passes.heat import (
    AGAIN_S,
    BLIND_HOT_REST_S,
    BLIND_REST_S,
    BLIND_WORK_S,
    MISSED_MAX,
    REST_ASK_S,
    REST_S_MAX,
    Heat,
    HeatState,
    begun,
    change_words,
    given_up_words,
    heard,
    is_possible,
    pause_between,
    resting_words,
    summary_words,
)

LIMITS = HeatLimits()
WORKING, CHECKING, RESTING, GIVEN_UP = HeatState


def after(heat: Heat, *answers: int | None) -> Heat:
    """Return the state after these answers, each when the state wants to look again."""
    at_s = heat.since_s
    for celsius in answers:
        heat = heard(heat, celsius, at_s)
        at_s = heat.next_s(at_s)
    return heat


def at(celsius: int) -> Heat:
    """Return the state of a pass at work on a drive of that temperature."""
    return begun(LIMITS, celsius, is_silent=False)


@pytest.mark.parametrize(
    ("start", "answers", "state"),
    [
        (40, (49,), WORKING),
        (45, (50,), RESTING),
        (45, (50, 46), RESTING),
        (45, (50, 46, 45), WORKING),
        (45, (50, 54, 54), RESTING),
        (45, (50, 54, 55), GIVEN_UP),
        (50, (55,), GIVEN_UP),
        (30, (60,), CHECKING),
        (30, (60, 61), GIVEN_UP),
        (30, (52, 53), RESTING),
        (30, (60, 31), WORKING),
        (45, (50, 20), RESTING),
        (45, (50, 20, 21), WORKING),
        (45, (50, None, 44), WORKING),
        (45, (50, None, None), RESTING),
        (49, (None, 48), WORKING),
    ],
)
def test_each_line_of_the_state_table(
    start: int, answers: tuple[int | None, ...], state: HeatState
) -> None:
    """What is heard in which state leads where the table in the module says."""
    assert after(at(start), *answers).state is state


def test_a_drive_that_is_hot_from_the_start_is_let_rest_before_it_works() -> None:
    """Without a reading before the pass the first hot answer makes it wait, the second rest."""
    heat = after(begun(LIMITS, None, is_silent=False), 51)
    assert heat.is_waiting
    assert after(heat, 51).state is RESTING
    assert after(begun(LIMITS, None, is_silent=False), 58, 58).state is GIVEN_UP


@pytest.mark.parametrize("celsius", [-41, 126, 255, -273, 1000])
def test_what_no_drive_can_have_is_not_believed(celsius: int) -> None:
    """Nonsense neither gives a pass up nor ends a rest, however often it is said."""
    assert not is_possible(celsius)
    assert after(at(40), *[celsius] * 2).state is WORKING
    resting = after(at(45), 50)
    assert after(resting, *[celsius] * (MISSED_MAX - 1)).state is RESTING
    assert begun(LIMITS, celsius, is_silent=False).believed is None


def test_a_jump_is_asked_about_again_soon() -> None:
    """Nobody works on a drive for a quarter of a minute that may be at 60 °C."""
    heat = heard(at(30), 60, 100.0)
    assert heat.next_s(100.0) == 100.0 + AGAIN_S
    assert resting_words(heat) == "resting for heat, 60 °C"


def test_a_resting_drive_is_asked_less_often() -> None:
    """What is asked for the sake of knowing alone is asked twice a minute."""
    heat = heard(at(45), 50, 100.0)
    assert heat.next_s(100.0) == 100.0 + REST_ASK_S
    assert heard(at(45), 46, 100.0).next_s(100.0) == 100.0 + LIMITS.every_s


def test_a_drive_that_does_not_cool_in_an_hour_is_given_up() -> None:
    """A rest that leads nowhere ends; the pass goes on another day."""
    heat = heard(at(48), 51, 0.0)
    assert heard(heat, 47, REST_S_MAX - 1).state is RESTING
    assert heard(heat, 45, REST_S_MAX).state is WORKING
    given_up = heard(heat, 47, REST_S_MAX)
    assert given_up.state is GIVEN_UP
    assert "47 °C: it has not cooled to 45 °C in a rest of 1 hour" in given_up_words(
        heat, given_up, REST_S_MAX
    )
    assert heard(given_up, 20, REST_S_MAX + 1) == given_up


def test_a_silent_drive_rests_by_the_clock_and_is_not_asked() -> None:
    """Five minutes in each hour, where nobody can know how hot it is."""
    heat = begun(LIMITS, None, is_silent=True)
    assert not heat.is_asking
    assert heard(heat, None, BLIND_WORK_S - 1).state is WORKING
    resting = heard(heat, None, BLIND_WORK_S)
    assert (resting.state, resting.next_s(0.0)) == (RESTING, BLIND_WORK_S + BLIND_REST_S)
    again = heard(resting, None, BLIND_WORK_S + BLIND_REST_S)
    assert again.state is WORKING
    assert pause_between(resting, again, 0.0) is None  # no rest for heat
    assert "by the clock" in resting_words(resting)


def test_a_drive_that_falls_silent_at_work_rests_by_the_clock() -> None:
    """It is said once, and the hour begins when it fell silent, not when the pass began."""
    silent = after(replace(at(40), since_s=7200.0), *[None] * MISSED_MAX)
    assert silent.is_blind
    assert silent.state is WORKING
    assert silent.celsius is None
    assert silent.since_s > 7200.0
    assert heard(silent, None, silent.since_s + BLIND_WORK_S).state is RESTING
    back = heard(silent, 41, silent.since_s + 60)
    assert (back.is_blind, back.celsius) == (False, 41)


def test_a_drive_that_falls_silent_in_a_rest_rests_for_long() -> None:
    """It was too hot when it was last heard; half an hour cools any case."""
    resting = heard(at(45), 52, 0.0)
    silent = after(resting, *[None] * MISSED_MAX)
    assert silent.state is RESTING
    assert silent.ends_s is not None
    assert silent.ends_s >= BLIND_HOT_REST_S
    assert not silent.is_asking
    woken = heard(silent, None, silent.ends_s)
    assert (woken.state, woken.is_asking) == (CHECKING, True)
    assert pause_between(silent, woken, silent.ends_s) == HeatPause(0, int(silent.ends_s), 52)
    assert after(woken, None).state is WORKING
    assert after(woken, 44).celsius == 44
    assert after(woken, 53).state is RESTING


def test_a_drive_that_falls_silent_while_a_jump_is_checked_rests_shortly() -> None:
    """An odd number and then nothing is no heat, and no licence either."""
    silent = after(at(30), 80, *[None] * (MISSED_MAX - 1))
    assert (silent.state, silent.is_blind) == (RESTING, True)
    assert silent.ends_s is not None
    woken = heard(silent, None, silent.ends_s)
    assert after(woken, None).state is WORKING
    assert after(woken, 90).state is RESTING


def test_each_change_is_told_once_and_in_words() -> None:
    """The archivist hears of a rest when it begins and ends, and of a sensor that fell silent."""
    resting = heard(at(45), 51, 0.0)
    working = heard(resting, 45, 900.0)
    silent = after(at(40), *[None] * MISSED_MAX)

    assert change_words(at(45), resting, 0.0) == (
        "The drive is at 51 °C: the pass rests until it has cooled to 45 °C."
    )
    assert change_words(resting, heard(resting, 48, 30.0), 30.0) is None
    assert change_words(resting, working, 900.0) == (
        "The drive is at 45 °C after a rest of 15 minutes: the pass goes on."
    )
    assert change_words(at(40), at(41), 0.0) is None
    said = change_words(after(at(40), *[None] * (MISSED_MAX - 1)), silent, 60.0)
    assert said is not None
    assert said.startswith("The drive does not say any more how hot it is.")
    assert change_words(silent, heard(silent, None, 75.0), 75.0) is None
    back = heard(silent, 41, 90.0)
    assert change_words(silent, back, 90.0) == "The drive says again how hot it is: 41 °C."
    assert change_words(at(30), heard(at(30), 60, 0.0), 0.0) is None  # nothing is known yet


def test_giving_up_says_why_and_what_to_do() -> None:
    """The sentence names the temperature, the reason and the fan."""
    resting = heard(at(49), 52, 0.0)
    hotter = heard(resting, 56, 300.0)
    at_once = heard(at(50), 56, 0.0)

    said = given_up_words(resting, hotter, 300.0)
    assert said.startswith("the drive is at 56 °C: it got hotter in a rest of 5 minutes.")
    assert "look at its fan and airflow" in said
    assert "the policy gives a pass up at 55 °C" in given_up_words(at(50), at_once, 0.0)


def test_the_rests_are_summed_up_in_a_sentence() -> None:
    """How often, how long, how hot."""
    pauses = (HeatPause(0, 600, 51), HeatPause(1000, 1900, 53))
    assert summary_words(pauses) == (
        "The pass rested 2 times for heat, 25 minutes in all; the drive was at 53 °C at most."
    )
    assert summary_words(pauses[:1]) == (
        "The pass rested once for heat, 10 minutes in all; the drive was at 51 °C at most."
    )


limits = st.tuples(
    st.integers(30, 60), st.integers(1, 10), st.integers(1, 10), st.integers(10, 30)
).map(lambda one: HeatLimits(one[0], one[0] - one[1], one[0] + one[2], one[3]))
answers = st.lists(st.none() | st.integers(-60, 140) | st.integers(35, 60), max_size=60)


@given(limits, st.none() | st.integers(20, 60), answers)
def test_no_work_is_done_above_the_limit_and_none_is_taken_up_before_it_cooled(
    limits: HeatLimits, start: int | None, answers: list[int | None]
) -> None:
    """
    Whatever is heard: no work follows a possible temperature at or above pause.

    And a rest ends by go_on or below, or by the clock while the sensor says nothing.
    """
    heat, at_s = begun(limits, start, is_silent=False), 0.0
    for answer in answers:
        before, was_asked = heat, heat.is_asking
        heat = heard(heat, answer, at_s)
        if was_asked and is_possible(answer) and answer is not None:
            assert answer < limits.pause_celsius or heat.state is not WORKING
        if before.state is RESTING and heat.state is WORKING:
            assert answer is not None
            assert answer <= limits.go_on_celsius
        if before.state is RESTING and heat.state is CHECKING:
            assert before.ends_s is not None
            assert at_s >= before.ends_s
        if heat.state is GIVEN_UP and before.state is not GIVEN_UP:
            lasted = before.state is RESTING and at_s - before.since_s >= REST_S_MAX
            assert lasted or (answer is not None and answer >= limits.give_up_celsius)
        assert heat.next_s(at_s) > at_s or heat.state is GIVEN_UP
        at_s = max(at_s, heat.next_s(at_s))


@given(st.lists(st.integers(-40, 44), min_size=1, max_size=40))
def test_a_cool_drive_never_waits(series: list[int]) -> None:
    """No series below go_on makes a pass rest, however it jumps, while the sensor is believed."""
    heat, at_s = at(series[0]), 0.0
    for celsius in series:
        heat = heard(heat, celsius, at_s)
        assert heat.state is WORKING
        at_s = heat.next_s(at_s)
