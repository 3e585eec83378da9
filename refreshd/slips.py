"""
What is to be written down about slips now. Pure: what is open and planned in, events out.

`changes` is asked as often as one likes: what it returned and was recorded is not returned again.
Its rules:

- L1 A drive has at most one open slip.
- L2 A slip that asks for a drive takes up a bay from the day on which it is issued, and so does
  every drive that is plugged in. No slip asks for a drive while no bay is free; so there are never
  more of them than bays, however much is waiting. Only a reissued slip that has escalated does not
  keep its bay, since a drive that cannot be found must not end the care of all others; as many of
  these as there are bays, and no more.
- L3 No two copies of one content are asked for at the same time (I9); a drive that nobody brought
  within `visits.siblings_apart` does not hold up its copies any more.
- L4 A slip is said again after each of `slips.reminders`, counted from the day on which it came
  into its state, then as often again as the last two lie apart. The last one escalates, and all
  after it. Reminders that were missed are not made up for.
- L5 A slip that is past its grace escalates, whatever the reminders, but not on the day on which it
  is said for the first time or its drive came: then somebody is at it. So does one whose drive is
  still at its bay after the last of `slips.reminders`: a pause that nobody ends or a disk that
  hangs takes up the bay. Drives that are past it and have no slip are told by `backlog`.
- L6 A slip that nobody answered within `slips.lapses_after` lapses, and so does one that is not
  wanted any more. Where the drive is still wanted, the next slip names the one that lapsed.
- L7 A drive that is still connected `slips.left_connected` after its release, or was here for so
  long without a slip and without work, is asked to be put away: then once a day.
- L8 A slip to put away whose drive is not connected any more ends the day after, unless somebody
  is to confirm that. Until then it takes up a bay: powered off, the drive may still stand there.

Dates are those of `now`; what a slip says to people stands in `refreshd.slip_words`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from types import MappingProxyType

from refreshd.cards import DriveCard, Slip, SlipState, Stay
from refreshd.durations import add
from refreshd.events import SlipIssued, SlipLapsed, SlipReminded, SlipReturned
from refreshd.policy import Policy
from refreshd.policy_tables import SlipRules
from refreshd.quantities import DriveNumber, Errand, SlipNumber
from refreshd.slip_words import stage_of
from refreshd.spreading import PlannedVisit
from refreshd.want_rules import days_of, families

__all__ = ["Backlog", "SlipChange", "SlipView", "backlog", "changes", "next_change", "stage_of"]

SlipChange = SlipIssued | SlipReminded | SlipLapsed | SlipReturned
"""The events that time and the plan bring about; the others come from drives and people."""

_DAILY = timedelta(days=1)
_AHEAD = timedelta(days=7)
_NAMED_MAX = 500  # drives in one sentence: nobody reads on, and a mail has its bounds
_NO_DAYS: Mapping[DriveNumber, date] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class SlipView:
    """All that the slips of a moment depend on.

    Args:
        cards: The drives in care; a drive that is missing here was withdrawn.
        planned: The plan of today, see `refreshd.spreading.plan`.
        slips: The open ones.
        stays: The drives that are plugged in.
        next_number: A number that no slip has had yet.
        at_work: Drives that are being visited, or are here and wait for their visit.
        other_bays_taken: Bays taken by what is not in care, or cannot be identified.
        not_before: Drives that are not to be asked for again before a day.

    """

    cards: Sequence[DriveCard]
    planned: Sequence[PlannedVisit]
    slips: Sequence[Slip]
    stays: Sequence[Stay]
    next_number: SlipNumber
    at_work: frozenset[DriveNumber] = frozenset()
    other_bays_taken: int = 0
    not_before: Mapping[DriveNumber, date] = field(default_factory=lambda: _NO_DAYS)


def changes(view: SlipView, policy: Policy, now: datetime) -> tuple[SlipChange, ...]:
    """Return what is to be recorded about slips at `now` (aware), in this order."""
    return tuple(_Round(view, policy, now).events())


def next_change(view: SlipView, policy: Policy, now: datetime) -> datetime:
    """Return when `changes` may have something new at the latest, if nothing else happens."""
    midnight = datetime.combine(now.astimezone(UTC).date() + _DAILY, time(0, 0), UTC)
    wait = timedelta(seconds=policy.slips.connected_s)
    ends = ((stay.released_at or stay.arrived_at) + wait for stay in view.stays)
    return min([midnight, *(end for end in ends if end > now)])


@dataclass(frozen=True, slots=True)
class Backlog:
    """Drives that are past their grace, or almost, and have no slip: no bay is free, or no turn.

    Each is escalated by its slip once it has one; until then this is what there is to say.
    """

    visits: tuple[PlannedVisit, ...]  # those that wait longest first

    @property
    def sentence(self) -> str:
        """Say it."""
        first = self.visits[0]
        late = f"past the grace of the policy, or will be within {_AHEAD.days} days"
        when = "when a bay is free and its turn has come"
        if len(self.visits) == 1:
            return f"{first.drive}, due since {first.due_on}, is {late}; it is asked for {when}"
        names = ", ".join(one.drive for one in self.visits[:_NAMED_MAX])
        more = len(self.visits) - _NAMED_MAX
        return (
            f"{len(self.visits)} drives are {late}; each is asked for {when}. {first.drive}, due "
            f"since {first.due_on}, waits longest of all: {names}"
            + (f" and {more} more" if more > 0 else "")
        )


def backlog(view: SlipView, now: datetime) -> Backlog | None:
    """Return what is past its grace and has no slip yet; None: nothing is (L2, L5).

    What will be so within a week is told, too: whoever is told weekly is told in time.
    """
    by = now.astimezone(UTC).date() + _AHEAD
    has_slip = {slip.drive for slip in view.slips} | view.at_work
    late = [one for one in view.planned if one.grace_ends_on <= by and one.drive not in has_slip]
    return Backlog(tuple(sorted(late, key=lambda one: one.due_on))) if late else None


def reminder_on(slip: Slip, rules: SlipRules) -> date:
    """Return the day on which a slip is said again, if nothing changes until then (L4)."""
    times, said = rules.reminders, slip.reminders
    last_gap = days_of(times[-1]) - (days_of(times[-2]) if len(times) > 1 else 0)
    if said < len(times):
        planned = add(slip.changed_on, times[said])
        gap = days_of(times[said]) - (days_of(times[said - 1]) if said else 0)
    else:
        beyond = timedelta(days=last_gap * (said - len(times) + 1))
        planned, gap = add(slip.changed_on, times[-1]) + beyond, last_gap
    if slip.reminded_on is None:
        return planned
    # The server may have been off: two reminders are never closer than the policy has them.
    return max(planned, slip.reminded_on + timedelta(days=gap))


class _Round:
    """One look at all slips. What it decides changes what it decides next: bays, numbers."""

    def __init__(self, view: SlipView, policy: Policy, now: datetime) -> None:
        self._view = view
        self._policy = policy
        self._rules = policy.slips
        self._now = now
        self._today = now.astimezone(UTC).date()
        self._cards = {card.number: card for card in view.cards}
        self._planned = {visit.drive: visit for visit in view.planned}
        self._stays = {stay.drive: stay for stay in view.stays}
        self._open = {slip.drive: slip.state for slip in view.slips}
        self._number = view.next_number

    def events(self) -> Iterator[SlipChange]:
        """Yield what is to be recorded."""
        for slip in self._view.slips:
            if slip.drive in self._cards:
                yield from self._of_slip(slip)
        yield from self._issued()
        for stay in self._view.stays:
            yield from self._left_here(stay)

    # What becomes of a slip

    def _of_slip(self, slip: Slip) -> Iterator[SlipChange]:
        match slip.state:
            case SlipState.ISSUED:
                yield from self._asked(slip)
            case SlipState.ANSWERED:
                is_long = add(slip.changed_on, self._rules.reminders[-1]) <= self._today
                if (is_long or self._is_late(slip)) and not slip.is_escalated:
                    yield self._reminded(slip.drive, slip.number, is_escalated=True)
            case SlipState.TO_PUT_AWAY:
                yield from self._to_put_away(slip)
            case _:
                pass

    def _asked(self, slip: Slip) -> Iterator[SlipChange]:
        visit = self._planned.get(slip.drive)
        if slip.drive in self._view.at_work:
            return
        if why := self._not_wanted(slip, visit):
            yield from self._lapsed(slip, visit, why)
        elif add(slip.changed_on, self._rules.lapses_after) <= self._today:
            why = f"nobody brought the drive since {slip.changed_on.isoformat()}"
            yield from self._lapsed(slip, visit, why)
        elif self._is_late(slip) and not slip.is_escalated:
            yield self._reminded(slip.drive, slip.number, is_escalated=True)
        elif reminder_on(slip, self._rules) <= self._today:
            yield self._said_again(slip)

    def _not_wanted(self, slip: Slip, visit: PlannedVisit | None) -> str:
        """Return why a slip is not wanted any more; empty: it is."""
        if visit is None:
            return "the drive cannot be asked for any more"
        card = self._cards[slip.drive]
        if slip.errand is Errand.REFRESH and card.hold is not None:
            return f"nothing may be written to the drive: {card.hold}"
        if slip.errand is Errand.REFRESH and card.is_to_replace:
            return "the drive is to be read and copied off, and not rewritten"
        if slip.errand is Errand.ACCESSION and card.is_taken_in:
            return "the drive was recorded to its end meanwhile"
        if visit.due_on > slip.due_on and visit.on > self._today:
            return f"nothing is due for the drive before {visit.due_on.isoformat()} any more"
        return ""

    def _lapsed(self, slip: Slip, visit: PlannedVisit | None, why: str) -> Iterator[SlipChange]:
        yield SlipLapsed(drive=slip.drive, slip=slip.number, why=why)
        del self._open[slip.drive]
        if visit is not None and visit.on <= self._today and self._may_be_asked(slip.drive):
            yield from self._issue(visit, slip.number)

    def _to_put_away(self, slip: Slip) -> Iterator[SlipChange]:
        stay = self._stays.get(slip.drive)
        if stay is None and self._ends_unseen(slip):
            if slip.changed_on < self._today:
                how = "it was not connected any more, the day after it was to be put away"
                yield SlipReturned(drive=slip.drive, slip=slip.number, how=how)
                del self._open[slip.drive]
        elif stay is None:
            if reminder_on(slip, self._rules) <= self._today:
                yield self._said_again(slip)
        elif slip.drive not in self._view.at_work and self._is_left_connected(slip, stay):
            yield self._said_again(slip)

    def _ends_unseen(self, slip: Slip) -> bool:
        """Say whether nobody is to confirm that the drive was put away (L8)."""
        return slip.errand is Errand.PUT_AWAY or not self._rules.confirms_return

    def _is_left_connected(self, slip: Slip, stay: Stay) -> bool:
        """Say whether a drive that may be unplugged should be spoken of now (L7)."""
        if slip.reminded_on is not None:
            return self._today > slip.reminded_on
        if slip.errand is Errand.PUT_AWAY or stay.released_at is None:
            return self._today > slip.changed_on
        return self._has_waited(stay)

    def _said_again(self, slip: Slip) -> SlipReminded:
        is_last = slip.reminders + 1 >= len(self._rules.reminders)
        return self._reminded(slip.drive, slip.number, is_escalated=is_last or slip.is_escalated)

    # What is asked for now

    def _issued(self) -> Iterator[SlipChange]:
        for visit in self._view.planned:
            if visit.on > self._today:
                break  # they come by their day
            if visit.drive in self._open or not self._may_be_asked(visit.drive):
                continue
            if self._free_bays() > 0 or visit.drive in self._stays:
                yield from self._issue(visit, None)

    def _may_be_asked(self, drive: DriveNumber) -> bool:
        view, stay = self._view, self._stays.get(drive)
        if drive in view.at_work or (stay is not None and stay.is_released):
            return False
        if self._today < view.not_before.get(drive, date.min):
            return False
        return drive in self._cards and not self._is_copy_out(drive)

    def _free_bays(self) -> int:
        asking = {SlipState.ISSUED, SlipState.ANSWERED}
        taken = {drive for drive, state in self._open.items() if state in asking}
        taken -= self._not_to_be_found()
        taken |= self._stays.keys() | self._view.at_work
        taken |= {
            slip.drive
            for slip in self._view.slips
            if slip.state is SlipState.TO_PUT_AWAY
            and slip.changed_on == self._today
            and self._ends_unseen(slip)
        }
        return self._policy.visits.bays - len(taken) - self._view.other_bays_taken

    def _not_to_be_found(self) -> frozenset[DriveNumber]:
        """Return drives that nobody brought twice over, in spite of an escalation (L2)."""
        lost = [
            slip.drive
            for slip in self._view.slips
            if slip.state is SlipState.ISSUED and slip.reissue_of is not None and slip.is_escalated
        ]
        return frozenset(lost[: self._policy.visits.bays])

    def _is_copy_out(self, drive: DriveNumber) -> bool:
        """Say whether a copy of the same content is here or asked for (L3)."""
        own = set(families(self._cards[drive]))
        if not own:
            return False
        out = (self._stays.keys() | self._view.at_work | self._asked_lately()) - {drive}
        return any(
            not own.isdisjoint(families(self._cards[one])) for one in out if one in self._cards
        )

    def _asked_lately(self) -> set[DriveNumber]:
        old = {
            slip.drive
            for slip in self._view.slips
            if add(slip.changed_on, self._policy.visits.siblings_apart) <= self._today
        }
        return {
            drive
            for drive, state in self._open.items()
            if state is SlipState.ANSWERED or (state is SlipState.ISSUED and drive not in old)
        }

    def _issue(self, visit: PlannedVisit, reissue_of: SlipNumber | None) -> Iterator[SlipChange]:
        number = self._take_number()
        self._open[visit.drive] = SlipState.ISSUED
        yield SlipIssued(
            drive=visit.drive,
            slip=number,
            errand=visit.errand,
            reason=visit.reason,
            due_on=visit.due_on,
            grace_ends_on=visit.grace_ends_on,
            expected_s=visit.expected_s,
            reissue_of=reissue_of,
        )

    # What was left here

    def _left_here(self, stay: Stay) -> Iterator[SlipChange]:
        is_idle = stay.drive not in self._open and stay.drive not in self._view.at_work
        if not is_idle or stay.drive not in self._cards or not self._has_waited(stay):
            return
        self._open[stay.drive] = SlipState.TO_PUT_AWAY
        since = stay.arrived_at.astimezone(UTC).date()
        yield SlipIssued(
            drive=stay.drive,
            slip=self._take_number(),
            errand=Errand.PUT_AWAY,
            reason=f"It is connected since {since.isoformat()}, and nothing is to be done with it.",
            due_on=self._today,
            grace_ends_on=add(self._today, self._rules.grace),
        )

    def _has_waited(self, stay: Stay) -> bool:
        wait = timedelta(seconds=self._rules.connected_s)
        return self._now >= (stay.released_at or stay.arrived_at) + wait

    # Small facts

    def _is_late(self, slip: Slip) -> bool:
        """Say whether a slip is past its grace, and somebody had a day to do something (L5)."""
        return self._today >= slip.grace_ends_on and slip.changed_on < self._today

    def _take_number(self) -> SlipNumber:
        number = self._number
        self._number = SlipNumber(number + 1)
        return number

    @staticmethod
    def _reminded(drive: DriveNumber, slip: SlipNumber, *, is_escalated: bool) -> SlipReminded:
        return SlipReminded(drive=drive, slip=slip, is_escalated=is_escalated)
