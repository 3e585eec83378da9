"""
What one drive wants of the service: by when, for what, how long, and why. Pure.

A `Want` is a working value of `refreshd.spreading`, whose rules (S1 to S8) are named here: it is
filled in while the plan is made, drive beside drive, and turned into a `PlannedVisit` at its end.
Days are proleptic ordinals, so that ten thousand drives are planned in a moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import ceil, inf

from refreshd.cards import DriveCard, PassState, ShelfRow
from refreshd.durations import Duration, add, counted
from refreshd.expectation import expect_s
from refreshd.hours import open_s_a_day
from refreshd.planning import Due, due_dates
from refreshd.policy import DrivePolicy, Policy, resolve
from refreshd.policy_tables import VisitRules
from refreshd.quantities import DriveNumber, Errand, MediumKind, PassKind
from refreshd.words import DAY_S

RETRY_DAYS = 90
"""When a refresh that left its drive due is tried again. Chosen, no source."""

_AHEAD_DAYS_MAX = 7
_AHEAD_SHARE = 50  # nor more than a fiftieth of the interval, which stays what the policy says
_TELLING_EARLY_DAYS = 21  # asked for so much earlier, the reason says why


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """A drive that is to be asked for.

    `due_on` is the day on which the policy wants something of this drive, `grace_ends_on` the end
    of what it forgives. `expected_s` is how long the drive will stay, quiet hours counted in; None:
    nobody can say. It takes as many visits as `sittings`, where the policy limits each.
    """

    drive: DriveNumber
    errand: Errand
    on: date  # when to ask for it
    due_on: date
    grace_ends_on: date
    reason: str  # why this drive, why now: one sentence
    expected_s: int | None
    sittings: int = 1


# --- What the policy says, worked out once a plan.


@dataclass(frozen=True, slots=True)
class Rules:
    """The policy of one kind of drive, its durations counted in days."""

    values: DrivePolicy
    visits: VisitRules
    grace: Duration
    open_s: int  # of a day
    fixity_days: int
    refresh_days: int
    fixity_early_days: int
    refresh_early_days: int
    join_days: int  # a refresh due so soon after a visit takes its place (S1)


class RulesOf:
    """Resolves the policy once for each kind of drive that it tells apart."""

    def __init__(self, policy: Policy) -> None:
        self._policy = policy
        self._open_s = open_s_a_day(policy.visits.quiet_hours)
        self._early = days_of(policy.slips.early)
        self._known: dict[tuple[MediumKind, DriveNumber | None], Rules] = {}

    def of(self, card: DriveCard) -> Rules:
        """Return the rules for one drive."""
        number = card.number if card.number in self._policy.drive else None
        key = (card.medium, number)
        if key not in self._known:
            self._known[key] = self._rules(resolve(self._policy, card.medium, number))
        return self._known[key]

    def _rules(self, values: DrivePolicy) -> Rules:
        fixity, refresh = days_of(values.fixity_interval), days_of(values.refresh_interval)
        return Rules(
            values=values,
            visits=self._policy.visits,
            grace=self._policy.slips.grace,
            open_s=self._open_s,
            fixity_days=fixity,
            refresh_days=refresh,
            fixity_early_days=min(self._early, fixity * 3 // 4),
            refresh_early_days=min(self._early, refresh * 3 // 4),
            join_days=min(self._early, fixity // 4),
        )


def days_of(duration: Duration) -> int:
    """Return how many days a duration has, about: counted from 1 January 2001."""
    start = date(2001, 1, 1)
    return (add(start, duration) - start).days


def _ahead_days(interval_days: int) -> int:
    """Return how many days before its due date a drive is asked for, so that it can be brought."""
    return min(_AHEAD_DAYS_MAX, interval_days // _AHEAD_SHARE)


# --- One drive in the plan.


@dataclass(slots=True)
class Want:
    """What one drive wants, in ordinal days, while the plan is being made."""

    row: ShelfRow
    rules: Rules
    due: Due
    back: PassState | None  # the unfinished pass that it is wanted back for (S2)
    refresh_due: float  # the day by the policy; inf: nothing may be written to it
    refresh_day: float = inf  # the day on which the level plan of refreshes wants it
    errand: Errand = Errand.FIXITY
    rank: int = 1
    deadline: int = 0  # of asking
    release: int = 0  # not asked for before
    stay_s: int | None = None
    sittings: int = 1

    @classmethod
    def of(cls, row: ShelfRow, rules: Rules, as_of: date) -> Want:
        """Return what a drive wants, before it is laid beside the others."""
        due = due_dates(row.card, row.rewritten.on, rules.values, as_of)
        refresh_due: float = due.due.toordinal()
        if row.card.hold is not None or not row.card.is_taken_in:
            refresh_due = inf
        elif row.last_refresh_at is not None:
            tried = row.last_refresh_at.toordinal()
            refresh_due = max(refresh_due, tried + min(RETRY_DAYS, rules.refresh_days))
        return cls(row, rules, due, _wanted_back(row), refresh_due)

    @property
    def refresh_deadline(self) -> float:
        """The day by which its refresh is to be asked for."""
        if self.back is not None and self.back.kind is PassKind.REFRESH:
            return self.back.begun_at.toordinal()
        return self.refresh_due - _ahead_days(self.rules.refresh_days)

    @property
    def refresh_release(self) -> float:
        """The day before which its refresh is not asked for (S4).

        A drive that was read through just now is not brought out again to keep a month level.
        """
        rested = min(self.last_visit + self.rules.join_days, self.refresh_deadline)
        return max(self.refresh_due - self.rules.refresh_early_days, rested)

    @property
    def last_visit(self) -> int:
        """The day of its last visit since it was taken into care; 0: none."""
        card, refreshed = self.row.card, self.row.last_refresh_at
        days = [0 if card.last_fixity is None else card.last_fixity.toordinal()]
        days += [] if refreshed is None else [refreshed.toordinal()]
        # The reading at the accession was no visit that anybody asked for.
        return max(days) if max(days) > card.accessioned_on.toordinal() else 0

    @property
    def work_s_a_day(self) -> float:
        """The seconds of work that it wants a day, in the long run."""
        refreshes = 0.0 if self.row.card.hold is not None else 1 / self.rules.refresh_days
        fixities = max(0.0, 1 / self.rules.fixity_days - refreshes)
        return self._work_s(PassKind.REFRESH) * refreshes + self._work_s(PassKind.FIXITY) * fixities

    def settle(self, today: int) -> None:
        """Decide by when it is to be asked for, whatever for."""
        rules = self.rules
        if not self.row.card.is_taken_in or self.back is not None:
            begun = self.back.begun_at if self.back else self.row.card.accessioned_on
            self.rank, self.deadline, self.release = 0, begun.toordinal(), today
        else:
            fixity_due = self.due.fixity_due.toordinal()
            by_fixity = fixity_due - _ahead_days(rules.fixity_days)
            self.deadline = int(min(by_fixity, self.refresh_day))
            if self.refresh_day <= by_fixity:  # No fixity pass now and a refresh soon after (S1).
                self.release = int(max(self.refresh_release, self.refresh_day - rules.join_days))
            else:
                self.release = fixity_due - rules.fixity_early_days
        self.choose(max(today, self.deadline))

    def choose(self, day: int) -> None:
        """Decide what it is asked for, if that is on this day (S1)."""
        if not self.row.card.is_taken_in:
            self.errand = Errand.ACCESSION
        elif self.back is not None:
            self.errand = Errand(self.back.kind.value)
        elif self.refresh_day <= day or (
            self.refresh_day <= day + self.rules.join_days and self.refresh_release <= day
        ):
            self.errand = Errand.REFRESH
        else:
            self.errand = Errand.FIXITY
        self._expect()

    def _expect(self) -> None:
        kind = self.errand.pass_kind or PassKind.FIXITY
        work_s, open_s = self._work_s(kind, self.back), self.rules.open_s
        if open_s == 0:
            self.stay_s, self.sittings = None, 1
            return
        stay_s = work_s + work_s // open_s * (DAY_S - open_s)
        longest = self.rules.visits.longest_visit_s
        self.sittings = 1 if longest is None else max(1, ceil(stay_s / longest))
        self.stay_s = stay_s if longest is None else min(stay_s, longest)

    def _work_s(self, kind: PassKind, back: PassState | None = None) -> int:
        card, values = self.row.card, self.rules.values
        left = card.evidence.size_bytes
        if back is not None and back.kind is kind:
            left = max(0, left - back.next_chunk * card.chunk_bytes)
        is_closing = kind is PassKind.REFRESH and values.is_closing
        rate_max, own = values.rate_bytes_per_s_max, self.row.own_rate_bytes_per_s
        return expect_s(kind, card, left, rate_max, own, is_closing=is_closing)

    @property
    def due_on(self) -> date:
        """The day on which the policy wants something of it."""
        if not self.row.card.is_taken_in:
            return self.row.card.accessioned_on
        days = [self.due.fixity_due]
        if self.refresh_due < inf:
            days.append(date.fromordinal(int(min(self.refresh_due, date.max.toordinal()))))
        if self.back is not None:
            days.append(self.back.begun_at.date())
        return min(days)

    def planned(self, day: int, as_of: date) -> PlannedVisit:
        """Return the visit, asked for on that day."""
        on = date.fromordinal(min(day, date.max.toordinal()))
        due_on = self.due_on
        return PlannedVisit(
            drive=self.row.card.number,
            errand=self.errand,
            on=on,
            due_on=due_on,
            grace_ends_on=add(due_on, self.rules.grace),
            reason=_reason(self, on, due_on, as_of),
            expected_s=self.stay_s,
            sittings=self.sittings,
        )


def _wanted_back(row: ShelfRow) -> PassState | None:
    """Return the unfinished pass that a drive is wanted back for; a held one is not written to."""
    order = {PassKind.ACCESSION: 0, PassKind.REFRESH: 1, PassKind.FIXITY: 2}
    able = [
        state
        for state in row.unfinished
        if row.card.hold is None or state.kind is not PassKind.REFRESH
    ]
    return min(able, key=lambda state: order[state.kind], default=None)


# --- Saying why.


def _reason(want: Want, on: date, due_on: date, as_of: date) -> str:
    """Return one sentence: why this drive, why now."""
    said = _why(want)
    if want.rank == 0:
        return f"{said}{_in_sittings(want)}."
    early, late = (due_on - on).days, (as_of - due_on).days
    if late > 0:
        said += f", which is {counted(late, 'day')} past"
    elif early >= _TELLING_EARLY_DAYS:
        said += f"; it is asked for {counted(early, 'day')} early, so that work stays level"
    return f"{said}{_in_sittings(want)}."


def _why(want: Want) -> str:
    due = want.due
    if want.errand is Errand.ACCESSION:
        return "It is in care, but its content was not recorded to the end yet"
    if want.back is not None:
        begun = want.back.begun_at.date().isoformat()
        return f"Its {want.back.kind.value} pass that began on {begun} was cut short and goes on"
    if want.errand is Errand.FIXITY:
        read = due.fixity_due.isoformat()
        held = (
            ", and is only read, since nothing may be written to it" if want.row.card.hold else ""
        )
        return f"It is due to be read and compared on {read}{held}"
    if due.fixity_due < due.due:
        return (
            f"It is due to be read and compared on {due.fixity_due.isoformat()} and for a refresh "
            f"on {due.due.isoformat()}, which does both"
        )
    return f"It is due for a refresh on {due.due.isoformat()}, {due.reason}"


def _in_sittings(want: Want) -> str:
    return "" if want.sittings == 1 else f"; it takes about {want.sittings} visits"
