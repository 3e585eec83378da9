"""The policy of one kind of drive as a plan needs it: durations in days, copies in families. Pure.

The rules S1 to S10 are those of `refreshd.spreading`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import inf

from refreshd.cards import DriveCard
from refreshd.durations import Duration, add
from refreshd.hours import open_s_a_day
from refreshd.policy import DrivePolicy, Policy, resolve
from refreshd.policy_tables import VisitRules
from refreshd.quantities import DriveNumber, MediumKind

Family = tuple[str, ...]
"""What the drives with copies of one content have in common: a holding, or their signatures."""

_AHEAD_DAYS_MAX = 7
_AHEAD_SHARE = 50  # nor more than a fiftieth of the interval, which stays what the policy says


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
    health_days: float = inf  # inf: the policy asks for no reading alone
    health_early_days: float = 0
    health_join_days: int = 0  # the same after a reading: also a fixity pass (S9)


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
        interval = values.health_interval
        health = None if interval is None else days_of(interval)
        return Rules(
            health_days=inf if health is None else health,
            health_early_days=0 if health is None else min(self._early, health * 3 // 4),
            health_join_days=0 if health is None else min(self._early, health // 4),
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


def families(card: DriveCard) -> tuple[Family, ...]:
    """Return the names of the groups of copies that a drive belongs to; siblings share one."""
    found: list[Family] = []
    if card.holding:
        found.append(("holding", card.holding))
    if card.evidence.signatures:
        found.append(("signatures", *card.evidence.signatures))
    return tuple(found)


def days_of(duration: Duration) -> int:
    """Return how many days a duration has, about: counted from 1 January 2001."""
    start = date(2001, 1, 1)
    return (add(start, duration) - start).days


def ahead_days(interval_days: float) -> int:
    """Return how many days before its due date a drive is asked for, so that it can be brought."""
    return int(min(_AHEAD_DAYS_MAX, interval_days / _AHEAD_SHARE))
