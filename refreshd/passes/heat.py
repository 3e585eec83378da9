"""
When a pass rests because the drive is too hot.

Pure: what was heard and when comes in, the next state comes out. `refreshd.passes.watch` asks,
waits and tells.

    state      hears                                                 becomes
    working    a temperature below pause                             working
    working    pause or above                                        resting
    working    a jump to pause or above, not confirmed yet           checking
    checking   again about as much: pause or above                   resting
    checking   about as much as before the jump                      working
    resting    go_on or below, believed                              working
    any        give_up or above, believed                            given up
    resting    nothing of that for `REST_S_MAX`                      given up

While it is not known how hot the drive is (*blind*), the clock decides:

    working    `BLIND_WORK_S` have passed                            resting, for `BLIND_REST_S`
    working    an odd answer at pause or above                       resting, for `BLIND_REST_S`
    checking   it is blind from now on                               resting, for `BLIND_REST_S`
    resting    it was too hot when it was last known                 resting, for `BLIND_HOT_REST_S`
    resting    the time is over, and it is silent                    working
    resting    the time is over, and it can be asked                 checking
    checking   nothing, or an odd answer below pause                 working

H1  A temperature outside of what a drive can have is none. One that jumps by more than
    `JUMP_CELSIUS` is believed when the next one agrees with it: sensors and bridges give odd
    numbers now and then. Until then a jump up lets the pass wait, since waiting costs nothing,
    but does not give it up; and a jump down ends no rest.
H2  After `MISSED_MAX` answers in a row that say nothing the pass is blind, until a temperature
    is believed again. A drive that is silent from the start is blind at once, and not asked.
H3  It is asked while it works, right before a request that it would get anyway, and while it
    rests for heat: that keeps it awake for the minutes it takes, and is the only way to know when
    to go on. Resting by the clock it is not asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from refreshd.durations import counted
from refreshd.health_cards import HeatLimits, HeatPause
from refreshd.words import duration_words, measured_words

CELSIUS_LEAST, CELSIUS_MOST = -40, 125
"""What a sensor in a drive can measure; ATA drives use -127 to -1 and 128 up for "none", too.
Source: operating range of automotive-grade parts, the widest there is (common practice)."""

JUMP_CELSIUS = 10
"""More between two questions is no change of a mass of half a kilogram. A drive at work warms by
one or two degrees a minute at most (common practice, no source)."""

AGAIN_S = 5.0
"""When a jump is asked about again."""

REST_ASK_S = 30.0
"""How often a drive that rests for heat is asked. It cools by less than a degree meanwhile."""

REST_S_MAX = 3600.0
"""A drive that has not cooled in an hour at rest stands too warm to work: the case of a drive
settles within an hour (time constants of 10 to 20 minutes are usual; no source)."""

MISSED_MAX = 4

BLIND_WORK_S = 3300.0
BLIND_REST_S = 300.0
"""Five minutes in each hour. Chosen, no source: it costs a twelfth of the time, and takes the edge
off what a closed case gathers; it cannot make up for a sensor."""

BLIND_HOT_REST_S = 1800.0
"""Two time constants of a slow case: what was above its limit is near the room's temperature."""


SILENT_WORDS = (
    "The drive does not say how hot it is, so the pass rests for "
    f"{duration_words(BLIND_REST_S)} in each hour."
)

LEFT_ALONE_WORDS = (
    "While it works the drive is not asked how hot it is, nor whether it fails: the last two times "
    f"it went away at that. So the pass rests for {duration_words(BLIND_REST_S)} in each hour."
)

FELL_SILENT_WORDS = (
    "The drive does not say any more how hot it is. From now on the pass rests for "
    f"{duration_words(BLIND_REST_S)} in each hour."
)


class HeatState(StrEnum):
    """What a pass does about heat."""

    WORKING = "working"
    CHECKING = "checking"
    RESTING = "resting"
    GIVEN_UP = "given up"


@dataclass(frozen=True, slots=True)
class Heat:
    """Where a pass stands. Seconds since it was begun or taken up; temperatures in whole °C."""

    limits: HeatLimits
    state: HeatState = HeatState.WORKING
    since_s: float = 0.0
    believed: int | None = None
    doubted: int | None = None  # a jump that is not confirmed yet
    missed: int = 0  # answers in a row that said nothing that is believed
    is_silent: bool = False  # from the start: it is never asked
    ends_s: float | None = None  # of a rest by the clock
    highest: int | None = None  # believed in this rest

    @property
    def is_blind(self) -> bool:
        """Say whether it is not known how hot the drive is."""
        return self.is_silent or self.missed >= MISSED_MAX

    @property
    def is_waiting(self) -> bool:
        """Say whether no lane may ask for content."""
        return self.state in {HeatState.CHECKING, HeatState.RESTING}

    @property
    def is_asking(self) -> bool:
        """Say whether the drive is asked for its temperature (H3)."""
        return not self.is_silent and self.ends_s is None

    @property
    def celsius(self) -> int | None:
        """The temperature as far as it is known now."""
        return None if self.is_blind else self.believed

    def next_s(self, at_s: float) -> float:
        """Return when to look again, after a look at `at_s`."""
        if self.ends_s is not None:
            return self.ends_s
        if self.state is HeatState.CHECKING or (self.doubted is not None and not self.is_blind):
            return at_s + AGAIN_S
        if self.state is HeatState.RESTING:
            return at_s + REST_ASK_S
        return at_s + self.limits.every_s


def begun(limits: HeatLimits, known: int | None, *, is_silent: bool) -> Heat:
    """Return the state at the start. `known`: the temperature when all pages were read."""
    believed = known if is_possible(known) else None
    return Heat(limits, believed=believed, is_silent=is_silent)


def is_possible(celsius: int | None) -> bool:
    """Say whether a drive can have that temperature."""
    return celsius is not None and CELSIUS_LEAST <= celsius <= CELSIUS_MOST


def heard(heat: Heat, celsius: int | None, at_s: float) -> Heat:
    """Return the state after an answer, or, where the drive is not asked, after time passed."""
    if heat.state is HeatState.GIVEN_UP:
        return heat
    was_blind = heat.is_blind
    heat = _believed(heat, celsius)
    if heat.is_blind:
        return _by_the_clock(heat, at_s, is_new=not was_blind)
    heat = _by_temperature(replace(heat, ends_s=None), at_s)
    if heat.state is HeatState.RESTING and at_s - heat.since_s >= REST_S_MAX:
        return _become(heat, HeatState.GIVEN_UP, at_s)
    return heat


def _believed(heat: Heat, celsius: int | None) -> Heat:
    """Weigh one answer (H1, H2)."""
    if not heat.is_asking:
        return heat
    if celsius is None or not is_possible(celsius):
        return replace(heat, doubted=None, missed=heat.missed + 1)
    known = (heat.believed, heat.doubted)
    is_first = heat.believed is None and celsius < heat.limits.pause_celsius
    if is_first or any(one is not None and abs(celsius - one) <= JUMP_CELSIUS for one in known):
        return replace(heat, believed=celsius, doubted=None, missed=0)
    return replace(heat, doubted=celsius, missed=heat.missed + 1)


def _by_temperature(heat: Heat, at_s: float) -> Heat:
    limits = heat.limits
    if heat.missed and heat.doubted is None:
        return heat
    if heat.doubted is not None:
        is_jump_up = heat.doubted >= limits.pause_celsius and heat.state is HeatState.WORKING
        return _become(heat, HeatState.CHECKING, at_s) if is_jump_up else heat
    celsius = heat.believed
    if celsius is None:
        return heat
    is_hot = celsius >= limits.pause_celsius
    if heat.state is HeatState.RESTING:
        heat = replace(heat, highest=max(celsius, heat.highest or celsius))
        is_hot = celsius > limits.go_on_celsius
    if celsius >= limits.give_up_celsius:
        return _become(heat, HeatState.GIVEN_UP, at_s)
    return _become(heat, HeatState.RESTING if is_hot else HeatState.WORKING, at_s)


def _by_the_clock(heat: Heat, at_s: float, *, is_new: bool) -> Heat:
    if is_new and heat.state is HeatState.RESTING:
        return replace(heat, ends_s=at_s + BLIND_HOT_REST_S)
    if heat.ends_s is not None:
        return _woken(heat, at_s) if at_s >= heat.ends_s else heat
    is_odd_and_hot = heat.doubted is not None and heat.doubted >= heat.limits.pause_celsius
    if is_odd_and_hot or (is_new and heat.state is HeatState.CHECKING):
        return _rest_by_the_clock(heat, at_s)
    if is_new:
        return replace(heat, since_s=at_s)  # it worked in sight until now
    if heat.state is HeatState.WORKING and at_s - heat.since_s >= BLIND_WORK_S:
        return _rest_by_the_clock(heat, at_s)
    return _become(heat, HeatState.WORKING, at_s)


def _woken(heat: Heat, at_s: float) -> Heat:
    """Return the state after a rest by the clock: a drive that can be asked is asked first."""
    state = HeatState.WORKING if heat.is_silent else HeatState.CHECKING
    return replace(_become(heat, state, at_s), doubted=None)


def _rest_by_the_clock(heat: Heat, at_s: float) -> Heat:
    resting = _become(heat, HeatState.RESTING, at_s)
    return replace(resting, ends_s=at_s + BLIND_REST_S, highest=None)


def _become(heat: Heat, state: HeatState, at_s: float) -> Heat:
    if state is heat.state:
        return heat
    return replace(
        heat,
        state=state,
        since_s=at_s,
        ends_s=None,
        highest=heat.believed if state is HeatState.RESTING else heat.highest,
    )


def pause_between(before: Heat, after: Heat, at_s: float) -> HeatPause | None:
    """Return the rest for heat that ended with this step; one by the clock alone is none."""
    ended = before.state is HeatState.RESTING and after.state is not HeatState.RESTING
    if not ended or before.highest is None:
        return None
    highest = max(before.highest, after.highest or before.highest)
    return HeatPause(int(before.since_s), int(at_s), highest)


def change_words(before: Heat, after: Heat, at_s: float) -> str | None:
    """Return what is worth telling of a step; None: nothing is."""
    if after.is_blind and not before.is_blind:
        return SILENT_WORDS if after.believed is None else FELL_SILENT_WORDS
    if before.is_blind and not after.is_blind:
        return f"The drive says again how hot it is: {after.believed} °C."
    if before.state is after.state or after.is_blind:
        return None
    if after.state is HeatState.RESTING:
        return (
            f"The drive is at {after.believed} °C: the pass rests until it has cooled to "
            f"{after.limits.go_on_celsius} °C."
        )
    if before.state is HeatState.RESTING and after.state is HeatState.WORKING:
        rested = measured_words(at_s - before.since_s)
        return f"The drive is at {after.believed} °C after a rest of {rested}: the pass goes on."
    return None


def given_up_words(before: Heat, after: Heat, at_s: float) -> str:
    """Return why a pass is given up for now."""
    rested = measured_words(at_s - before.since_s)
    if before.state is not HeatState.RESTING:
        why = f"the policy gives a pass up at {after.limits.give_up_celsius} °C"
    elif (after.believed or 0) >= after.limits.give_up_celsius:
        why = f"it got hotter in a rest of {rested}"
    else:
        why = f"it has not cooled to {after.limits.go_on_celsius} °C in a rest of {rested}"
    return (
        f"the drive is at {after.believed} °C: {why}. The pass goes on from its last checkpoint "
        "when it is run again; let the drive stop and cool first, and look at its fan and airflow"
    )


def resting_words(heat: Heat) -> str:
    """Return what the pass does while it waits, for whoever watches."""
    if heat.is_blind:
        return "resting by the clock, since its temperature is not known"
    return f"resting for heat, {heat.believed if heat.doubted is None else heat.doubted} °C"


def summary_words(pauses: Sequence[HeatPause]) -> str:
    """Return how often and how long a pass rested for heat; there is at least one such rest."""
    rested_s = sum(one.ended_s - one.begun_s for one in pauses)
    hottest = max(one.highest_celsius for one in pauses)
    how_often = "once" if len(pauses) == 1 else counted(len(pauses), "time")
    return (
        f"The pass rested {how_often} for heat, {measured_words(rested_s)} in all; the drive was "
        f"at {hottest} °C at most."
    )
