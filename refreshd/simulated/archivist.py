"""
An archivist on a virtual clock: looks at the slips three times a working day, and is only human.

What they do wrong is drawn from a seed: answer late, be away for weeks, bring another drive than
the one that was asked for, forget to put one away, pull one out while it is worked on. They never
plug in more drives than there are bays, and they look at how things stand: a disk that hangs or
cannot be identified is taken out again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from functools import partial
from random import Random

from refreshd.cards import Slip, SlipState
from refreshd.caretaker import Caretaker, Doing
from refreshd.ports import Seat
from refreshd.quantities import DriveNumber, Errand, SlipNumber
from refreshd.simulated.bays import SimulatedBays
from refreshd.simulated.timeline import Timeline

DAY_S = 86_400.0
ROUNDS_S = (9 * 3600.0, 13 * 3600.0, 16.5 * 3600.0)
WORKING_DAYS = 5
_OUT_OF_ORDER = frozenset({Doing.UNCLEAR, Doing.HANGING, Doing.KEPT, Doing.STRANGER})


@dataclass(frozen=True, slots=True)
class Habits:
    """How often they do what; shares of all occasions."""

    is_prompt: float = 0.92  # brings the drive at the first look at its slip
    late_days_max: int = 8  # otherwise so many days later, at most
    brings_wrong: float = 0.02
    forgets: float = 0.04  # to put a drive away, until reminded
    pulls_early: float = 0.02  # takes a drive out in the middle of its visit
    holidays_a_year: int = 2
    holiday_days_max: int = 12


@dataclass
class Archivist:
    """One person with two hands. `on_shelf` chooses a wrong drive among all."""

    timeline: Timeline
    bays: SimulatedBays
    random: Random
    habits: Habits
    ports: int
    all_drives: Sequence[DriveNumber]
    is_server_on: Callable[[], bool]
    caretaker: Callable[[], Caretaker]
    slips: Callable[[], Sequence[Slip]]  # the page on the wall
    brought_wrong: int = 0
    pulled_early: int = 0
    forgotten: int = 0
    _willing_from_s: dict[SlipNumber, float] = field(default_factory=dict)
    _forgets: dict[SlipNumber, bool] = field(default_factory=dict)
    _away_until_s: float = 0.0

    def begin(self) -> None:
        """Come to work."""
        for at_s in ROUNDS_S:
            self.timeline.after(at_s, self._round)
        self._plan_holidays()

    def _plan_holidays(self) -> None:
        for _ in range(self.habits.holidays_a_year):
            begins_s = self.random.uniform(0, 365 * DAY_S)
            days = self.random.randint(5, self.habits.holiday_days_max)
            self.timeline.after(begins_s, partial(self._go_away, days))
        self.timeline.after(365 * DAY_S, self._plan_holidays)

    def _go_away(self, days: int) -> None:
        self._away_until_s = max(self._away_until_s, self.timeline.now_s + days * DAY_S)

    def _round(self) -> None:
        self.timeline.after(DAY_S, self._round)
        is_working_day = int(self.timeline.now_s // DAY_S) % 7 < WORKING_DAYS
        if not is_working_day or self.timeline.now_s < self._away_until_s:
            return
        if not self.is_server_on():
            self._tidy_up()
            return
        self._take_away()
        self._bring()

    def _tidy_up(self) -> None:
        """Put away what is still there while the server is off."""
        for number in self.bays.plugged_in():
            if self.random.random() < 0.5:  # noqa: PLR2004 - as likely as not.
                self._pull_out(number)

    # Putting away

    def _take_away(self) -> None:
        for slip in self.slips():
            is_here = self.bays.seat_of(slip.drive) is not None
            if slip.state is SlipState.TO_PUT_AWAY and is_here and not self._is_forgotten(slip):
                self._pull_out(slip.drive)
        for number in self._out_of_order():
            self._pull_out(number)

    def _out_of_order(self) -> tuple[DriveNumber, ...]:
        """Return the drives that status says are of no use where they are."""
        status = self.caretaker().status()
        nodes = {one.seat.node for one in status.here if one.doing in _OUT_OF_ORDER}
        nodes |= {one.seat.node for one in status.visits if one.hangs_at_byte is not None}
        seats = {number: self.bays.seat_of(number) for number in self.bays.plugged_in()}
        return tuple(number for number, seat in seats.items() if seat and seat.node in nodes)

    def _is_forgotten(self, slip: Slip) -> bool:
        """Say whether they walk past it; a reminder helps."""
        if slip.number not in self._forgets:
            self._forgets[slip.number] = self.random.random() < self.habits.forgets
            self.forgotten += self._forgets[slip.number]
        return self._forgets[slip.number] and not slip.reminders

    def _pull_out(self, number: DriveNumber) -> None:
        seat = self.bays.seat_of(number)
        if seat is not None:
            self.bays.pull_out(seat)
            if self.is_server_on():
                self.caretaker().left(seat)

    # Bringing

    def _bring(self) -> None:
        for slip in self.slips():
            if slip.state is not SlipState.ISSUED or slip.errand is Errand.PUT_AWAY:
                continue
            if self.bays.seat_of(slip.drive) is not None or not self._is_willing(slip):
                continue
            if len(self.bays.plugged_in()) >= self.ports:
                return
            self._plug_in(self._picked(slip))

    def _is_willing(self, slip: Slip) -> bool:
        """Say whether they go for it today: at once, some days later, or once reminded again."""
        if slip.number not in self._willing_from_s:
            is_prompt = self.random.random() < self.habits.is_prompt
            late = timedelta(days=self.random.uniform(0.5, self.habits.late_days_max))
            wait_s = 0.0 if is_prompt else late.total_seconds()
            self._willing_from_s[slip.number] = self.timeline.now_s + wait_s
        return self.timeline.now_s >= self._willing_from_s[slip.number]

    def _picked(self, slip: Slip) -> DriveNumber:
        """Return the drive that they take off the shelf: mostly the right one."""
        if self.random.random() < self.habits.brings_wrong:
            other = self.random.choice(list(self.all_drives))
            if other != slip.drive and self.bays.seat_of(other) is None:
                self.brought_wrong += 1
                return other
        return slip.drive

    def _plug_in(self, number: DriveNumber) -> None:
        seat = self.bays.plug_in(number)
        self.caretaker().arrived(seat)
        if self.random.random() < self.habits.pulls_early:
            wait_s = self.random.uniform(60.0, DAY_S)
            self.timeline.after(wait_s, lambda: self._pull_early(number, seat))

    def _pull_early(self, number: DriveNumber, seat: Seat) -> None:
        if self.bays.seat_of(number) == seat and self.bays.is_working(number):
            self.pulled_early += 1
            self._pull_out(number)
