"""What can be compared with what: the readings of one drive in one language, and their counts.

1. Readings in different languages are never compared: a bridge that answers by itself counts
   other things than the drive behind it. Neither are figures from different pages.
2. Readings before a break are not compared with those after it. A break is where something
   went back that only grows as a drive is used (hours, starts), or where the drive turns at
   another speed: then another drive stands behind the number, or its memory was cleared.
3. A counter that fell is not compared with what it was; its history begins anew.
4. What is not reported this time stands as it was last reported, and is said to be so. A page
   that cannot be read any more must not make a drive look better.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

from refreshd.health_cards import HealthEntry, HealthReading, Measure, Moment, PageName, Route

SETTLED_AFTER = timedelta(days=2 * 365)
"""How long a count must have stood still to be called settled.

Common practice, no source. Published times at risk after a first bad sign are 60 days and 8
months of drives that ran day and night (Pinheiro, Weber, Barroso, FAST'07, seen-2nd); a shelved
drive runs for some days a year, so the calendar must give it longer.
"""

RISES_WITHIN = timedelta(days=6 * 365 + 1)
"""How far apart rises still belong together: two refreshes, three years apart; own choice."""

ONE_VISIT = timedelta(days=30)
"""Readings closer than this are of one visit: rises count as one, and what another cable or more
air cures has not been seen to be cured yet. Own choice."""

HOURS_SLACK = 24
"""By how many hours a drive's own clock may go back: one that loses power forgets what it had
not written down yet. Common practice, no source."""

CYCLES_SLACK = 1
"""By how much its counts of starts may go back, likewise."""

USE_COUNTERS = {
    Measure.POWER_ON_HOURS: HOURS_SLACK,
    Measure.POWER_CYCLES: CYCLES_SLACK,
    Measure.SPINDLE_STARTS: CYCLES_SLACK,
}
"""What only grows as a drive is used, and by how much it may go back."""

TURNS_MIN = 2
"""Rotation below this is no speed: 1 stands for a medium that does not turn (from memory)."""

WITNESSES = (*USE_COUNTERS, Measure.ROTATIONS_PER_MINUTE)
"""What tells whether it is still the same drive."""

NEVER_FALL = frozenset(
    {
        Measure.MOVED_SECTORS,
        Measure.REPORTED_ERRORS,
        Measure.READ_RECOVERIES,
        Measure.START_RETRIES,
        Measure.START_FAILURES,
        Measure.PATH_ERRORS,
        Measure.RESETS,
        Measure.UNCORRECTED_READS,
        Measure.UNCORRECTED_WRITES,
        Measure.UNCORRECTED_VERIFIES,
        Measure.CORRECTED_BY_REREADING,
        Measure.MINUTES_TOO_HOT,
        Measure.MINUTES_TOO_COLD,
        Measure.ENDURANCE_USED,
        Measure.MEDIA_ERRORS,
        Measure.UNSAFE_SHUTDOWNS,
        Measure.HEAD_LOADS,
        Measure.HEAD_FLYING_HOURS,
        Measure.CELSIUS_HIGHEST,
    }
)
"""What can only grow in one and the same drive. Sectors wait, and then do not any more."""


class Look(NamedTuple):
    """One reading and when it was taken."""

    at: datetime
    moment: Moment
    reading: HealthReading
    pass_id: str | None = None


class Point(NamedTuple):
    """What a drive counted at one time."""

    at: datetime
    value: int


class Fall(NamedTuple):
    """What cannot change so in one drive, and did: from one value to another."""

    measure: Measure
    before: Point
    after: Point


Witness = tuple[Measure, PageName | None]
"""Something by which a drive is known again, and the page it came from."""


@dataclass(frozen=True, slots=True)
class Track:
    """
    One measure over time, oldest first, never empty; nothing from before a fall of it.

    `settled_after`: how long it must have stood still to count as settled.
    """

    measure: Measure
    points: tuple[Point, ...]
    fall: Fall | None = None
    settled_after: timedelta = SETTLED_AFTER

    @property
    def now(self) -> int:
        """The last value that was reported."""
        return self.points[-1].value

    @property
    def at(self) -> datetime:
        """When it was last reported."""
        return self.points[-1].at

    @property
    def is_alone(self) -> bool:
        """Say whether there is nothing to compare with."""
        return len(self.points) == 1

    @property
    def base(self) -> Point:
        """What it is compared with: the newest point that is old enough, else the oldest."""
        settled_by = self.at - self.settled_after
        old = (point for point in reversed(self.points) if point.at <= settled_by)
        return next(old, self.points[0])

    @property
    def still_since(self) -> datetime:
        """Since when it has had its value."""
        since = self.at
        for point in reversed(self.points):
            if point.value != self.now:
                break
            since = point.at
        return since

    @property
    def last_rise(self) -> datetime | None:
        """When it was last found to have grown; None: never."""
        found = (b.at for a, b in pairwise(self.points) if b.value > a.value)
        return max(found, default=None)

    @property
    def is_settled(self) -> bool:
        """Say whether it has stood still for long."""
        return self.at - self.still_since >= self.settled_after

    @property
    def grown(self) -> int:
        """By how much it grew over the least value since `base`; 0 once it has settled."""
        if self.is_settled:
            return 0
        return self.now - self.least.value

    @property
    def least(self) -> Point:
        """The newest of the points with the least value since `base`."""
        base = self.base.at
        recent = (point for point in reversed(self.points) if point.at >= base)
        return min(recent, key=lambda point: point.value)

    @property
    def rises(self) -> int:
        """At how many visits it was found to have grown, within `RISES_WITHIN`."""
        counted: list[datetime] = []
        for before, after in pairwise(self.points):
            is_one = after.value > before.value and self.at - after.at <= RISES_WITHIN
            if is_one and not (counted and after.at - counted[-1] < ONE_VISIT):
                counted.append(after.at)
        return len(counted)


@dataclass(frozen=True, slots=True)
class Era:
    """The readings that can be compared with the last of them: one language, one drive.

    `breach`: what went back just before its first reading; None: nothing was before.
    """

    looks: tuple[Look, ...]
    breach: Fall | None = None

    @property
    def last(self) -> Look:
        """The reading that is judged."""
        return self.looks[-1]

    def track(self, measure: Measure, settled_after: timedelta = SETTLED_AFTER) -> Track | None:
        """Return one measure over time, from the page it came from last; None: from none ever."""
        return next(iter(self.tracks(measure, settled_after)), None)

    def tracks(
        self, measure: Measure, settled_after: timedelta = SETTLED_AFTER
    ) -> tuple[Track, ...]:
        """Return one measure over time for each page it came from; the last page first."""
        by_page: dict[PageName | None, list[Point]] = {}
        for look in self.looks:
            if measure in look.reading.measures:
                page = look.reading.sources.get(measure)
                points = by_page.pop(page, [])
                points.append(_point(look, measure))
                by_page[page] = points  # put last again: the page that spoke last stands last
        return tuple(
            _track(measure, points, settled_after) for points in reversed(by_page.values())
        )


def _point(look: Look, measure: Measure) -> Point:
    return Point(look.at, look.reading.measures[measure])


def _track(measure: Measure, points: Sequence[Point], settled_after: timedelta) -> Track:
    """Cut off what lies before the last fall of what cannot fall."""
    fall, first = None, 0
    if measure in NEVER_FALL:
        for index, (before, after) in enumerate(pairwise(points), start=1):
            if after.value < before.value:
                fall, first = Fall(measure, before, after), index
    return Track(measure, tuple(points[first:]), fall, settled_after)


def looks_of(series: Sequence[HealthEntry]) -> tuple[Look, ...]:
    """Return the readings of a series without what was made of them."""
    return tuple(Look(one.at, one.moment, one.reading, one.pass_id) for one in series)


def eras_of(looks: Iterable[Look]) -> dict[Route, Era]:
    """Return for each language in which the drive ever answered its newest era."""
    by_route: dict[Route, list[Look]] = {}
    for look in looks:
        if look.reading.route is not Route.SILENT:
            by_route.setdefault(look.reading.route, []).append(look)
    return {route: _newest_era(found) for route, found in by_route.items()}


def _newest_era(looks: Sequence[Look]) -> Era:
    """Cut off what lies before the last break."""
    breach: Fall | None = None
    first = 0
    known: dict[Witness, Point] = {}
    for index, look in enumerate(looks):
        told = _witnesses(look)
        found = _breach(known, told)
        if found is not None:
            breach, first, known = found, index, {}
        known |= told
    return Era(tuple(looks[first:]), breach)


def _witnesses(look: Look) -> dict[Witness, Point]:
    """Return what a reading has by which a drive is known again, and from which page."""
    reading = look.reading
    return {
        (measure, reading.sources.get(measure)): _point(look, measure)
        for measure in WITNESSES
        if measure in reading.measures
    }


def _breach(known: Mapping[Witness, Point], told: Mapping[Witness, Point]) -> Fall | None:
    """Return what shows that a reading is of another drive than what is known."""
    for witness in told:
        measure = witness[0]
        was, now = known.get(witness, told[witness]), told[witness]
        if measure is Measure.ROTATIONS_PER_MINUTE:
            is_other = min(was.value, now.value) >= TURNS_MIN and was.value != now.value
        else:
            is_other = now.value < was.value - USE_COUNTERS[measure]
        if is_other:
            return Fall(measure, was, now)
    return None
