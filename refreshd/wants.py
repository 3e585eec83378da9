"""
What one drive wants of the service: by when, for what, how long, and why. Pure.

A `Want` is a working value of `refreshd.spreading`, whose rules (S1 to S10) are named here: it is
filled in while the plan is made, drive beside drive, and turned into a `PlannedVisit` at its end.
Days are proleptic ordinals, so that ten thousand drives are planned in a moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import ceil, inf

from refreshd.cards import PassState, ShelfRow
from refreshd.durations import add
from refreshd.expectation import expect_s
from refreshd.planning import due_dates
from refreshd.quantities import DriveNumber, Errand, PassKind
from refreshd.want_rules import Rules, ahead_days, families
from refreshd.words import DAY_S

RETRY_DAYS = 90
"""When a refresh that left its drive due is tried again. Chosen, no source."""

READING_S = 300
"""A health reading, from plugging in: spinning up, saying who it is, answering. Chosen."""

PASS_DAYS_MAX = 3
"""A pass takes readings of its own, and so many days at most in most cases. Chosen."""

_LAST_DAY = date.max.toordinal()
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
    reason: str  # why this drive, why now
    expected_s: int | None
    sittings: int = 1


# --- One drive in the plan.


@dataclass(frozen=True, slots=True)
class Stay:
    """How long a drive stays for one errand; `seconds` None: nobody can say."""

    seconds: int | None
    sittings: int


class Want:
    """What one drive wants, in ordinal days.

    All but the last group follows from the row and the rules alone, so that it can be kept from
    one plan to the next.
    """

    def __init__(self, row: ShelfRow, rules: Rules) -> None:
        card = row.card
        self.row, self.rules = row, rules
        self.number = card.number
        self.back = _wanted_back(row)
        # How far it is overdue is not asked here, so that the day does not matter.
        self.due = due_dates(card, row.rewritten.on, rules.values, card.accessioned_on)
        self.is_only_read = card.hold is not None or card.is_to_replace  # S7, S10
        self.refresh_due = self._refresh_due()
        self.soon_on = self._soon_on()
        self.by_fixity = self.due.fixity_due.toordinal() - ahead_days(rules.fixity_days)
        if self.soon_on is not None:
            self.by_fixity = min(self.by_fixity, self.soon_on.toordinal())
        self.health_due = self._health_due()
        self.by_health = self.health_due - ahead_days(rules.health_days)
        self.health_release = self.health_due - rules.health_early_days
        self.by_refresh = self._by_refresh()
        self.last_visit = _last_visit(row)
        self.refresh_release = self._refresh_release()
        self.fixity_release = min(
            self.due.fixity_due.toordinal() - rules.fixity_early_days, self.by_fixity
        )
        self.due_on = self._due_on()
        self.grace_ends_on = add(self.due_on, rules.grace)
        self.is_first = not card.is_taken_in or self.back is not None  # before all others (S2)
        self.families = families(card)
        self.visits_a_day = 1 / min(
            rules.fixity_days, inf if self.is_only_read else rules.refresh_days
        )
        is_asked_out = self.health_due < inf
        self.readings_a_day = (
            max(0.0, 1 / rules.health_days - self.visits_a_day) if is_asked_out else 0.0
        )
        self.bay_days = self._bay_days()
        self._stays: dict[Errand, Stay] = {}
        self._whys: dict[tuple[Errand, bool], str] = {}

        self.refresh_day = inf  # on which the level plan of refreshes wants it
        self.errand = Errand.FIXITY
        self.deadline = 0  # of asking
        self.release = 0  # not asked for before

    def _refresh_due(self) -> float:
        """Return the day by the policy; inf: nothing may be written to it."""
        row = self.row
        if self.is_only_read or not row.card.is_taken_in:
            return inf
        if row.last_refresh_at is None:
            return self.due.due.toordinal()
        tried = row.last_refresh_at.toordinal()
        return max(self.due.due.toordinal(), tried + min(RETRY_DAYS, self.rules.refresh_days))

    def _soon_on(self) -> date | None:
        """Return when a drive that fails is to be read, sooner than others (S10)."""
        card = self.row.card
        if not card.is_to_replace or card.health is None or not card.is_taken_in:
            return None
        read_on = card.last_fixity or card.accessioned_on
        half = date.fromordinal(read_on.toordinal() + self.rules.fixity_days // 2)
        return max(half, card.health.judged_on or card.health.read_on)

    def _health_due(self) -> float:
        """Return the day on which it is to be asked how it is (S9); inf: with its visits."""
        card, health = self.row.card, self.row.card.health
        interval = self.rules.values.health_interval
        is_silent = health is not None and health.is_silent
        if interval is None or is_silent or not card.is_taken_in:
            return inf
        asked_on = card.accessioned_on if health is None else health.read_on
        return add(asked_on, interval).toordinal()

    def was_read_alone_since(self, day: int) -> bool:
        """Say whether its last visit was a health reading alone, after a day."""
        health = self.row.card.health
        if health is None or health.read_on <= self.row.card.accessioned_on:
            return False
        return health.read_on.toordinal() > max(day, self.last_visit + PASS_DAYS_MAX)

    def _by_refresh(self) -> float:
        """Return the day by which its refresh is to be asked for."""
        if self.back is not None and self.back.kind is PassKind.REFRESH:
            return self.back.begun_at.toordinal()
        return self.refresh_due - ahead_days(self.rules.refresh_days)

    def _refresh_release(self) -> float:
        """Return the day before which its refresh is not asked for (S4).

        A drive that was read through just now is not brought out again to keep a month level.
        """
        rested = min(self.last_visit + self.rules.join_days, self.by_refresh)
        return max(self.refresh_due - self.rules.refresh_early_days, rested)

    def _due_on(self) -> date:
        """Return the day on which the policy wants something of it."""
        if not self.row.card.is_taken_in:
            return self.row.card.accessioned_on
        days = [self.due.fixity_due]
        if self.refresh_due < inf:
            days.append(date.fromordinal(int(min(self.refresh_due, date.max.toordinal()))))
        if self.health_due < inf:
            days.append(date.fromordinal(int(min(self.health_due, date.max.toordinal()))))
        if self.soon_on is not None:
            days.append(self.soon_on)
        if self.back is not None:
            days.append(self.back.begun_at.date())
        return min(days)

    def _bay_days(self) -> float:
        """Return how long one visit takes up a bay in the mean, a day at the least.

        Whoever brings drives comes once a day, as far as planning may count on it.
        """
        open_s = self.rules.open_s or DAY_S
        return max(1.0, self.work_s_a_day / self.visits_a_day / open_s)

    @property
    def work_s_a_day(self) -> float:
        """The seconds of work that it wants a day, in the long run."""
        refreshes = 0.0 if self.is_only_read else 1 / self.rules.refresh_days
        fixities = max(0.0, 1 / self.rules.fixity_days - refreshes)
        return self._work_s(PassKind.REFRESH) * refreshes + self._work_s(PassKind.FIXITY) * fixities

    @property
    def stay(self) -> Stay:
        """How long it stays, for what it is asked for."""
        if self.errand not in self._stays:
            self._stays[self.errand] = self._stay()
        return self._stays[self.errand]

    def settle(self, today: int) -> None:
        """Decide by when it is to be asked for, whatever for."""
        if self.is_first:
            begun = self.back.begun_at if self.back else self.row.card.accessioned_on
            self.deadline, self.release = begun.toordinal(), today
        else:
            self.deadline = int(min(self.by_fixity, self.refresh_day))
            self.release = self.fixity_release
            if self.refresh_day <= self.by_fixity:  # No fixity pass now and a refresh soon after.
                self.release = int(
                    max(self.refresh_release, self.refresh_day - self.rules.join_days)
                )

    def choose(self, day: int) -> None:
        """Decide which pass it is asked for, if that is on this day (S1)."""
        if not self.row.card.is_taken_in:
            self.errand = Errand.ACCESSION
            return
        if self.back is not None:
            self.errand = Errand(self.back.kind.value)
        elif self.refresh_day <= day or (
            self.refresh_day <= day + self.rules.join_days and self.refresh_release <= day
        ):
            self.errand = Errand.REFRESH
        else:
            self.errand = Errand.FIXITY

    def fetch_for_reading(self, day: int, pass_day: int) -> int:
        """Decide what it is asked for if its health is due before its pass, and on which day (S9).

        The reading waits for a pass that comes within a quarter of its interval.
        """
        if pass_day <= day + self.rules.health_join_days:
            return pass_day
        self.errand = Errand.HEALTH
        return day

    def planned(self, day: int, as_of: date) -> PlannedVisit:
        """Return the visit, asked for on that day."""
        on = date.fromordinal(min(day, _LAST_DAY))
        stay = self.stay
        return PlannedVisit(
            drive=self.number,
            errand=self.errand,
            on=on,
            due_on=self.due_on,
            grace_ends_on=self.grace_ends_on,
            reason=self._reason(on, as_of, stay.sittings),
            expected_s=stay.seconds,
            sittings=stay.sittings,
        )

    def _stay(self) -> Stay:
        if self.errand is Errand.HEALTH:
            return Stay(READING_S, 1)
        kind = self.errand.pass_kind or PassKind.FIXITY
        work_s, open_s = self._work_s(kind, self.back), self.rules.open_s
        if open_s == 0:
            return Stay(None, 1)
        seconds = work_s + work_s // open_s * (DAY_S - open_s)
        longest_s = self.rules.visits.longest_visit_s
        if longest_s is None or seconds <= longest_s:
            return Stay(seconds, 1)
        return Stay(longest_s, ceil(seconds / longest_s))

    def _work_s(self, kind: PassKind, back: PassState | None = None) -> int:
        card, values = self.row.card, self.rules.values
        left = card.evidence.size_bytes
        if back is not None and back.kind is kind:
            left = max(0, left - back.next_chunk * card.chunk_bytes)
        is_closing = kind is PassKind.REFRESH and values.is_closing
        rate_max, own = values.rate_bytes_per_s_max, self.row.own_rate_bytes_per_s
        return expect_s(kind, card, left, rate_max, own, is_closing=is_closing)

    # Saying why

    def _reason(self, on: date, as_of: date, sittings: int) -> str:
        """Return why this drive and why now, in a sentence or two."""
        is_late = self.due_on < as_of
        key = (self.errand, is_late)
        if key not in self._whys:
            self._whys[key] = _why(self, "was" if is_late else "is")
        said = self._whys[key]
        in_sittings = "" if sittings == 1 else f"; it takes about {sittings} visits"
        if self.is_first:
            return f"{said}{in_sittings}."
        early = (self.due_on - on).days
        if early >= _TELLING_EARLY_DAYS:
            said = f"{said}; it is asked for {early} days early, so that work stays level"
        return f"{said}{in_sittings}."


def _last_visit(row: ShelfRow) -> int:
    """Return the day of a drive's last visit since it was taken into care; 0: none."""
    days = [0 if row.card.last_fixity is None else row.card.last_fixity.toordinal()]
    days += [] if row.last_refresh_at is None else [row.last_refresh_at.toordinal()]
    # The reading at the accession was no visit that anybody asked for.
    return max(days) if max(days) > row.card.accessioned_on.toordinal() else 0


def _wanted_back(row: ShelfRow) -> PassState | None:
    """Return the unfinished pass that a drive is wanted back for; a held one is not written to.

    Nor is one whose health asks that it is read and copied off (S10).
    """
    is_only_read = row.card.hold is not None or row.card.is_to_replace
    order = {PassKind.ACCESSION: 0, PassKind.REFRESH: 1, PassKind.FIXITY: 2}
    able = [
        state for state in row.unfinished if not is_only_read or state.kind is not PassKind.REFRESH
    ]
    return min(able, key=lambda state: order[state.kind], default=None)


def _why(want: Want, tense: str) -> str:
    """Say why; how long ago that was is not said, since a slip may be read months later."""
    due = want.due
    if want.errand is Errand.ACCESSION:
        return "It is in care, but its content was not recorded to the end yet"
    if want.back is not None:
        begun = want.back.begun_at.date().isoformat()
        return f"Its {want.back.kind.value} pass that began on {begun} was cut short and goes on"
    if want.errand is Errand.HEALTH:
        return _why_asked(want, tense)
    if want.errand is Errand.FIXITY:
        return _why_read(want, tense)
    if due.fixity_due < due.due:
        return (
            f"It {tense} due to be read and compared on {due.fixity_due.isoformat()} and for a "
            f"refresh on {due.due.isoformat()}, which does both"
        )
    return f"It {tense} due for a refresh on {due.due.isoformat()}, {due.reason}"


def _why_asked(want: Want, tense: str) -> str:
    """Say why a drive is only asked how it is."""
    health, interval = want.row.card.health, want.rules.values.health_interval
    on = date.fromordinal(int(want.health_due)).isoformat()
    last = "it was never asked yet" if health is None else f"the last one was on {health.read_on}"
    return f"It {tense} due for a health reading on {on}, every {interval}; {last}"


def _why_read(want: Want, tense: str) -> str:
    """Say why a drive is read; and why only read, where a refresh is not to be."""
    card, read = want.row.card, want.due.fixity_due.isoformat()
    if card.is_to_replace and card.health is not None:
        reason = next(iter(card.health.reasons), str(card.health.verdict)).rstrip(".")
        is_sooner = want.soon_on is not None and want.soon_on < want.due.fixity_due
        when = f"sooner than on {read}" if is_sooner else f"it {tense} due for that on {read}"
        return f"It is to be read and copied off, not rewritten, {when}: {reason}"
    held = ", and is only read, since nothing may be written to it" if card.hold else ""
    return f"It {tense} due to be read and compared on {read}{held}"
