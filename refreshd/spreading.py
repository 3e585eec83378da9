"""
When to ask for which drive, so that the work is level and nothing waits too long. Pure.

What a drive falls due for is worked out by `refreshd.planning`. Here it is decided on which day
it is asked for. The rules:

- S1 One visit a drive: what falls due first. A refresh reads and checks all, so that one which
  falls due within a quarter of the fixity interval after the visit takes the visit's place.
- S2 A pass that was begun wants its drive back at once, an accession before all others.
- S3 Earliest due first, at the least rate at which all due dates are met. The rate is held over
  the last `LEVEL_DAYS` days, counted from what was really done in them, so that the same day gives
  the same plan, however often it is asked for.
- S4 Never earlier than `slips.early` before the due date, nor in the first quarter of an interval:
  spreading must not wear the drives. Asking a little ahead (`_ahead_days`) leaves time to answer.
- S5 What was missed is caught up by at most `CATCH_UP` times the rate that the policy wants in the
  long run, and never by more than the bays can serve. The rest waits its turn.
- S6 Refreshes of copies of one content are `visits.siblings_apart` apart; where several fall due
  together, the first begin early.
- S7 A held drive is only read. A refresh that was ended and left the drive due (its chunks could
  not be written) is not tried again for `RETRY_DAYS`.
- S8 Only what can be plugged in is asked for: image files and folders are listed by their due
  dates, and have no slips.
- S9 Where the policy wants a health reading every so often, and no visit brings one, the drive is
  asked out for that alone. A reading waits for a pass that comes within a quarter of that interval,
  so that no drive is fetched twice; passes stay on their days. A drive that was silent when it was
  last asked is not fetched for another silence.
- S10 A drive whose health asks that it is copied off and replaced is not rewritten any more. It is
  read twice as often: at once, unless that was done within half its fixity interval.

Nothing here knows which slips are open: a drive stays in the plan until its visit is done.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from math import ceil, inf

from refreshd.cards import Carrier, DriveCard, ShelfRow
from refreshd.durations import MONTHS_A_YEAR, Duration, add
from refreshd.policy import Policy
from refreshd.quantities import DriveNumber, Errand
from refreshd.want_rules import Family, RulesOf, days_of, families
from refreshd.wants import PlannedVisit, Want
from refreshd.words import HOUR_S

__all__ = [
    "Load",
    "PlannedVisit",
    "Planner",
    "are_siblings",
    "can_be_asked_for",
    "families",
    "load_of",
    "plan",
]

LEVEL_DAYS = 30
"""Over how many days the rate of visits is held. Chosen, no source: people think in months."""

REFRESH_LEVEL_DAYS = 90
"""The same for refreshes alone, which are fewer and take longer."""

CATCH_UP = 1.3
"""How much faster than in the long run what was missed is caught up. Chosen, no source."""

LEAST_PER_DAY = 2 / 7
"""What a small shelf is caught up by at the least: two visits a week. Chosen, no source."""


class Planner:
    """Makes plans, and keeps from one to the next what follows from a drive's row alone."""

    def __init__(self) -> None:
        self._policy: Policy | None = None
        self._rules = RulesOf(Policy())
        self._wants: dict[DriveNumber, Want] = {}

    def plan(
        self, rows: Sequence[ShelfRow], policy: Policy, as_of: date
    ) -> tuple[PlannedVisit, ...]:
        """
        Return the next visit of every drive that can be asked for, the first to ask for first.

        Args:
            rows: The drives in care.
            policy: The policy in force.
            as_of: Today. Drives to be asked for now have a day `on` that is not after it.

        """
        today = as_of.toordinal()
        asked = self.wants(rows, policy)
        shared = _shared(asked)
        _level_refreshes(asked, policy, shared, today)
        for want in asked:
            want.settle(today)
        asked.sort(key=lambda want: (not want.is_first, want.deadline, want.number))
        days = _asking_days(asked, policy, shared, today)
        _fetch_for_readings(asked, days, policy, today)
        planned = [want.planned(day, as_of) for want, day in zip(asked, days, strict=True)]
        planned.sort(key=lambda visit: visit.on)
        return tuple(planned)

    def load(self, rows: Sequence[ShelfRow], policy: Policy) -> Load:
        """Return what a shelf asks of its bays in the long run."""
        asked = self.wants(rows, policy)
        month = 365.25 / MONTHS_A_YEAR
        hours = sum(want.work_s_a_day for want in asked) * month / HOUR_S
        visits = sum(one.visits_a_day + one.readings_a_day for one in asked) * month
        return Load(visits, hours, _rate_served(asked, policy) * month)

    def wants(self, rows: Sequence[ShelfRow], policy: Policy) -> list[Want]:
        """Return what each drive wants that can be asked for."""
        if policy is not self._policy:
            self._policy, self._rules, self._wants = policy, RulesOf(policy), {}
        kept = self._wants
        self._wants = {}
        for row in rows:
            if can_be_asked_for(row.card):
                known = kept.get(row.card.number)
                is_same = known is not None and known.row is row
                want = known if known and is_same else Want(row, self._rules.of(row.card))
                self._wants[want.number] = want
        return list(self._wants.values())


def plan(rows: Sequence[ShelfRow], policy: Policy, as_of: date) -> tuple[PlannedVisit, ...]:
    """Return the next visit of every drive that can be asked for, see `Planner.plan`."""
    return Planner().plan(rows, policy, as_of)


def can_be_asked_for(card: DriveCard) -> bool:
    """Say whether a drive is one that somebody can bring out and plug in (S8)."""
    return card.withdrawn_on is None and card.evidence.carrier is Carrier.BLOCK


def are_siblings(one: DriveCard, other: DriveCard) -> bool:
    """Say whether two drives hold copies of the same content (I9)."""
    return one.number != other.number and not set(families(one)).isdisjoint(families(other))


Families = frozenset[Family]


@dataclass(frozen=True, slots=True)
class Load:
    """What a shelf asks of its bays in the long run, by its policy."""

    visits_a_month: float
    hours_a_month: float
    visits_a_month_max: float  # what the bays can serve, if each is filled once a day at the most

    @property
    def is_too_much(self) -> bool:
        """Say whether the bays cannot serve what the policy wants."""
        return self.visits_a_month > self.visits_a_month_max

    @property
    def sentence(self) -> str:
        """Say it."""
        wants = (
            f"the policy wants about {self.visits_a_month:.1f} visits a month, "
            f"{self.hours_a_month:.0f} hours of work in all"
        )
        can = f"the bays can serve {self.visits_a_month_max:.1f}"
        if self.is_too_much:
            return (
                f"{wants}, but {can}: more bays, fewer quiet hours or longer intervals are needed"
            )
        return f"{wants}; {can}"


def load_of(rows: Sequence[ShelfRow], policy: Policy) -> Load:
    """Return what a shelf asks of its bays in the long run."""
    return Planner().load(rows, policy)


# --- The drives beside each other.


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast: `window` days over which the rate is held, `recent` visits done in them."""

    window: int
    recent: int
    most: float  # visits a day


def _level_refreshes(asked: Sequence[Want], policy: Policy, shared: Families, today: int) -> None:
    """Say on which day each drive's refresh is wanted, so that refreshes are level (S3, S6)."""
    wants = sorted((one for one in asked if one.refresh_due < inf), key=_by_refresh)
    deadlines = _apart_in_families(wants, shared, days_of(policy.visits.siblings_apart))
    order = sorted(range(len(wants)), key=deadlines.__getitem__)
    recent = sum(
        1
        for one in asked
        if (last := one.row.last_refresh_at) and last.toordinal() > today - REFRESH_LEVEL_DAYS
    )
    days = _paced(
        [deadlines[at] for at in order],
        [min(wants[at].refresh_release, deadlines[at]) for at in order],
        today,
        Pace(REFRESH_LEVEL_DAYS, recent, inf),
    )
    for at, day in zip(order, days, strict=True):
        wants[at].refresh_day = day


def _by_refresh(want: Want) -> tuple[float, DriveNumber]:
    return want.by_refresh, want.number


def _shared(wants: Iterable[Want]) -> Families:
    """Return the families that more than one drive belongs to."""
    members = Counter(family for want in wants for family in want.families)
    return frozenset(family for family, count in members.items() if count > 1)


def _apart_in_families(wants: Sequence[Want], shared: Families, apart_days: int) -> list[float]:
    """Return the days by which to ask, the first of several copies early enough for the last.

    `wants` come by their deadline.
    """
    deadlines = [want.by_refresh for want in wants]
    latest: dict[Family, float] = {}
    for at in reversed(range(len(wants))):
        mine = shared.intersection(wants[at].families)
        for family in mine:
            deadlines[at] = min(deadlines[at], latest.get(family, inf) - apart_days)
        for family in mine:
            latest[family] = deadlines[at]
    return deadlines


def _paced(
    deadlines: Sequence[float], releases: Sequence[float], today: int, pace: Pace
) -> list[float]:
    """
    Return a day for each of several visits that come by their deadlines (S3 to S5).

    The least rate that meets every deadline is the largest of `k / days left`, over the visits
    that come before each. Within the window nothing is hurried that way: what falls due together
    this month is asked for on its own day.
    """
    window = pace.window
    left = [deadline - today for deadline in deadlines]
    rate = max((k / max(days, window) for k, days in enumerate(left)), default=0.0)
    most = pace.most
    level = min(rate, most)
    by_level, by_most = level * window - pace.recent, most * window - pace.recent
    found = []
    for k, (days, release) in enumerate(zip(left, releases, strict=True), start=1):
        wait = max(0.0, release - today)
        if k > by_level:  # not within what the level rate allows already
            wait = max(wait, min(days, (k - by_level) / level if level else inf))
        if k > by_most:
            wait = max(wait, (k - by_most) / most)
        found.append(today + wait)
    return found


def _asking_days(asked: Sequence[Want], policy: Policy, shared: Families, today: int) -> list[int]:
    """Return the day on which to ask for each drive; they come by their deadlines."""
    recent = sum(1 for one in asked if one.last_visit > today - LEVEL_DAYS)
    least_most = max(CATCH_UP * sum(one.visits_a_day for one in asked), LEAST_PER_DAY)
    pace = Pace(LEVEL_DAYS, recent, min(least_most, _rate_served(asked, policy)))
    deadlines = [float(one.deadline) for one in asked]
    paced = _paced(deadlines, [float(one.release) for one in asked], today, pace)
    days = [today if one.is_first else ceil(day) for one, day in zip(asked, paced, strict=True)]
    _keep_siblings_apart(asked, days, shared, policy.visits.siblings_apart, today)
    return days


def _fetch_for_readings(asked: Sequence[Want], days: list[int], policy: Policy, today: int) -> None:
    """Bring those days forward on which a health reading is due before the pass (S9).

    The days of passes are made as if there were no readings, so that passes stay level.
    """
    turn = [at for at, one in enumerate(asked) if not one.is_first and one.by_health < days[at]]
    turn.sort(key=lambda at: (asked[at].by_health, asked[at].number))
    if not turn:
        return
    recent = sum(1 for one in asked if one.was_read_alone_since(today - LEVEL_DAYS))
    most = max(CATCH_UP * sum(one.readings_a_day for one in asked), LEAST_PER_DAY)
    paced = _paced(
        [asked[at].by_health for at in turn],
        [min(asked[at].health_release, asked[at].by_health) for at in turn],
        today,
        Pace(LEVEL_DAYS, recent, min(most, _rate_served(asked, policy))),
    )
    for at, day in zip(turn, paced, strict=True):
        if ceil(day) < days[at]:
            days[at] = asked[at].fetch_for_reading(ceil(day), days[at])


def _rate_served(asked: Sequence[Want], policy: Policy) -> float:
    """Return how many visits a day the bays can serve, each filled once a day at the most."""
    days = sum(one.bay_days for one in asked)
    return policy.visits.bays * len(asked) / days if days else 0.0


def _keep_siblings_apart(
    asked: Sequence[Want], days: list[int], shared: Families, apart: Duration, today: int
) -> None:
    """Move refreshes of copies of one content apart (S6, I9), and settle what each is asked for.

    A drive that nobody brings must not keep its copies from their refresh: what is past its
    grace stands back behind the others.
    """
    free_from: dict[Family, int] = defaultdict(int)
    for one in asked:
        mine = shared.intersection(one.families)
        if mine and one.row.last_refresh_at is not None:
            free = add(one.row.last_refresh_at.date(), apart).toordinal() + 1
            for family in mine:
                free_from[family] = max(free_from[family], free)
    for at in sorted(range(len(asked)), key=_turn_of(asked, days, date.fromordinal(today))):
        want = asked[at]
        want.choose(days[at])
        mine = shared.intersection(want.families)
        if want.errand is not Errand.REFRESH or not mine:
            continue
        days[at] = max([days[at], *(free_from[family] for family in mine)])
        free = add(date.fromordinal(min(days[at], date.max.toordinal())), apart).toordinal() + 1
        for family in mine:
            free_from[family] = free


def _turn_of(
    asked: Sequence[Want], days: Sequence[int], as_of: date
) -> Callable[[int], tuple[bool, int, int]]:
    def turn(at: int) -> tuple[bool, int, int]:
        return asked[at].grace_ends_on <= as_of, days[at], at

    return turn
