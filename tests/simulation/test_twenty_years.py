"""Twenty years of a shelf: the real caretaker, simulated bays, an archivist who is only human."""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterator
from datetime import date, timedelta
from itertools import combinations, product

import pytest

from refreshd import slips, spreading, wants
from refreshd.cards import DriveCard, SlipState
from refreshd.caretaker import obstacles
from refreshd.durations import Duration, add
from refreshd.events import SlipIssued
from refreshd.planning import Due, due_dates
from refreshd.policy import DrivePolicy
from refreshd.quantities import DriveNumber, PassKind
from refreshd.simulated.archivist import DAY_S, Habits
from refreshd.spreading import are_siblings
from tests.simulation.world import BEGINS, Off, Scenario, World

APART = Duration(days=14)
LOAD_MAX = 1.5
"""The busiest month against the mean month."""

RUN_IN_YEARS = 9
"""Three refreshes of each drive: until then refreshes are brought forward to level the years."""

OUTAGES = (
    Off(2300, 150, noticed_after_days=4, is_attested=True),  # too long for the clock to be believed
    Off(3700, 25, timedelta(days=-1100), 9),  # comes back with a clock that is behind
    Off(4900, 40, timedelta(days=30 * 365), 6),  # and with one that is decades ahead
)
POLICY: dict[str, object] = {
    "visits": {"bays": 2},
    "clock": {"leap_max": "4 months"},
    # A simulated worker speaks at its checkpoints only, every six hours.
    "defaults": {"request_timeout": "24 hours"},
}
SMALL_POLICY: dict[str, object] = {
    "visits": {"bays": 1, "quiet_hours": ["22:00-06:00"], "longest_visit": "20 hours"},
    "clock": {"leap_max": "4 months"},
    "defaults": {"request_timeout": "24 hours"},
}

SEEDS = (1,)
SMALL_SEEDS = (11, 12)
FAILING_SEEDS_OF_OLD: tuple[int, ...] = ()
"""A seed that ever failed stays here."""


def large(seed: int) -> Scenario:
    """Return the shelf of the promise: 200 drives, two bays, twenty years."""
    return Scenario(seed, policy=POLICY, outages=OUTAGES)


def small(seed: int, years: int = 20, outages: tuple[Off, ...] = OUTAGES) -> Scenario:
    """Return a shelf of 60 drives with one bay, which rests at night."""
    return Scenario(seed, 60, years, SMALL_POLICY, outages, Habits(), mishaps_a_year=2, deaths=1)


def ran(scenario: Scenario) -> World:
    """Return a world in which the years have passed; says its seed and its figures."""
    world = World(scenario)
    world.run()
    sys.stdout.write(f"seed {scenario.seed}: {figures(world)}\n")
    return world


# --- What must be so


def complaints(world: World, but: Collection[DriveNumber] = ()) -> list[str]:
    """Return all that went wrong in a run; `but` are read more often, and rightly so."""
    return [
        *world.wrongs[:10],
        *uneven_months(world),
        *floods(world),
        *lost_slips(world),
        *siblings_too_close(world),
        *intervals_off(world, but),
        *late_passes(world),
    ]


def uneven_months(world: World) -> Iterator[str]:
    """Yield months in which more than 1.5 times as many drives were brought as in the mean one.

    All calendar months count but the first two, in which the shelf is set up; drives brought by
    mistake or a second time count, and so do the months in which the server was off. A small shelf
    may do two passes a week, whatever its mean.
    """
    is_small = world.scenario.drives < 100
    load = passes_by_month(world) if is_small else world.arrived
    mean = sum(load.values()) / (world.scenario.years * 12)
    most = max(LOAD_MAX * mean, 2 * 31 / 7 + 2 if is_small else 0)
    for month, count in sorted(load.items()):
        if count > most and month > (BEGINS.year, BEGINS.month + 1):
            yield f"{month}: {count} drives were brought, {mean:.1f} in the mean"


def passes_by_month(world: World) -> Counter[tuple[int, int]]:
    """Return how many passes ended in each month."""
    days = [_day(done.ended_s) for done in world.bays.room.done]
    return Counter((day.year, day.month) for day in days)


def late_passes(world: World) -> Iterator[str]:
    """Yield that in calm times more than a tenth of the drives were read ten days late or more.

    Calm are the times that begin two years after an outage.
    """
    last: dict[DriveNumber, float] = {}
    late = calm = 0
    for done in world.bays.room.done:
        before = last.get(done.drive, 0.0)
        last[done.drive] = done.began_s
        if not is_calm(world, done.began_s):
            continue
        calm += 1
        late += done.began_s > before + 375 * DAY_S
    if late > calm / 10:
        yield f"{late} of {calm} drives were read late in calm times"


def is_calm(world: World, at_s: float) -> bool:
    """Say whether no outage lies less than two years back."""
    ends = [(off.on_day, off.on_day + off.days + 730) for off in world.scenario.outages]
    return not any(begin * DAY_S <= at_s <= end * DAY_S for begin, end in ends)


def floods(world: World) -> Iterator[str]:
    """Yield that more drives were asked for at once than there are bays."""
    if world.asking_max > world.policy.visits.bays:
        yield f"{world.asking_max} drives were asked for at once"


def lost_slips(world: World) -> Iterator[str]:
    """Yield slips that neither ended nor are open."""
    open_now = {slip.number for slip in world.ledger.slips()}
    for entry in world.ledger.entries:
        if isinstance(entry.event, SlipIssued):
            slip = world.ledger.slip(entry.event.slip)
            is_over = slip.state in {SlipState.RETURNED, SlipState.LAPSED}
            if is_over == (slip.number in open_now):
                yield f"slip {slip.number} is lost: {slip.state}"


def siblings_too_close(world: World) -> Iterator[str]:
    """Yield copies of one content that were written to within 14 days, by the calendar (I9)."""
    times: dict[DriveNumber, list[tuple[date, date]]] = defaultdict(list)
    for one in world.bays.room.written:
        times[one.drive].append((_day(one.from_s), _day(one.to_s)))
    cards = [world.ledger.drive(number) for number in world.drives]
    for mine, other in combinations(cards, 2):
        if are_siblings(mine, other):
            for early, late in product(times[mine.number], times[other.number]):
                if late[0] < add(early[1], APART) and early[0] < add(late[1], APART):
                    yield f"{mine.number} and {other.number} on {early[0]} and {late[0]}"


def intervals_off(world: World, but: Collection[DriveNumber] = ()) -> Iterator[str]:
    """Yield that the mean interval after the run-in is more than 6 % off the policy's."""
    read, rewritten = mean_intervals(world, but)
    for name, found, wanted in (("read", read, 365.25), ("rewritten", rewritten, 3 * 365.25)):
        if found and abs(found / wanted - 1) > 0.06:
            yield f"{name} every {found:.0f} days in the mean, not {wanted:.0f}"


def mean_intervals(world: World, but: Collection[DriveNumber] = ()) -> tuple[float, float]:
    """Return the mean days from one reading and one rewriting to the next, after the run-in."""
    last: dict[tuple[DriveNumber, bool], float] = {}
    found: dict[bool, list[float]] = {False: [], True: []}
    for done in (one for one in world.bays.room.done if one.drive not in but):
        for is_rewrite in (False, True):
            if is_rewrite and done.kind is not PassKind.REFRESH:
                continue
            before = last.get((done.drive, is_rewrite))
            if before is not None and before > RUN_IN_YEARS * 365 * DAY_S:
                found[is_rewrite].append((done.began_s - before) / DAY_S)
            last[done.drive, is_rewrite] = done.began_s
    means = [sum(days) / len(days) if days else 0.0 for days in (found[False], found[True])]
    return means[0], means[1]


def _day(seconds: float) -> date:
    return (BEGINS + timedelta(seconds=seconds)).date()


def figures(world: World) -> str:
    """Return what a run came to, in words."""
    read, rewritten = mean_intervals(world)
    mean = sum(world.arrived.values()) / (world.scenario.years * 12)
    return (
        f"{len(world.bays.room.done)} passes, {len(world.ledger.entries)} records; read every "
        f"{read:.0f} days, rewritten every {rewritten:.0f}; busiest month "
        f"{max(world.arrived.values()) / max(mean, 1e-9):.2f} of the mean {mean:.1f}; "
        f"{world.archivist.brought_wrong} wrong drives, "
        f"{world.archivist.pulled_early} pulled early, "
        f"{world.archivist.forgotten} forgotten; {world.ledger.refused} records refused"
    )


@pytest.mark.parametrize("seed", [*SEEDS, *FAILING_SEEDS_OF_OLD])
def test_twenty_years_of_two_hundred_drives(seed: int) -> None:
    """No drive is forgotten, no slip is lost, no month is crowded, no two copies are at risk."""
    world = ran(large(seed))

    assert complaints(world) == []
    assert world.archivist.brought_wrong
    assert world.archivist.pulled_early
    assert world.archivist.forgotten


@pytest.mark.parametrize("seed", SMALL_SEEDS)
def test_twenty_years_of_a_small_shelf_that_rests_at_night(seed: int) -> None:
    """The same with one bay, quiet hours and visits cut short: passes go on in later visits."""
    world = ran(small(seed))

    assert complaints(world) == []


def test_the_same_seed_gives_the_same_years() -> None:
    """What failed once can be looked at again."""
    first, second = (World(small(5, years=1, outages=())) for _ in range(2))
    first.run()
    second.run()

    assert [entry.event for entry in first.ledger.entries] == [
        entry.event for entry in second.ledger.entries
    ]


# --- Bugs that the simulation must find

Bug = Callable[[pytest.MonkeyPatch], None]


def nobody_escalates(patch: pytest.MonkeyPatch) -> None:
    """Forget reminders and escalations."""
    patch.setattr(slips._Round, "_is_late", lambda *_: False)
    patch.setattr(slips, "reminder_on", lambda *_: date.max)


def the_backlog_is_not_told(patch: pytest.MonkeyPatch) -> None:
    """Say nothing of drives that wait for a bay."""
    patch.setattr(slips, "backlog", lambda *_: None)


def nothing_is_spread(patch: pytest.MonkeyPatch) -> None:
    """Ask for each drive on its own day."""
    patch.setattr(spreading, "_paced", lambda deadlines, *_: list(deadlines))


def catching_up_is_not_bounded(patch: pytest.MonkeyPatch) -> None:
    """Catch up as fast as the bays can."""
    patch.setattr(spreading, "CATCH_UP", 100.0)


def the_due_date_is_a_month_late(patch: pytest.MonkeyPatch) -> None:
    """Count one month too much."""

    def late(card: DriveCard, on: date | None, policy: DrivePolicy, as_of: date) -> Due:
        longer = {
            "fixity_interval": Duration(months=13),
            "refresh_interval": Duration(years=3, months=3),
        }
        return due_dates(card, on, policy.model_copy(update=longer), as_of)

    patch.setattr(wants, "due_dates", late)


def bays_are_not_counted(patch: pytest.MonkeyPatch) -> None:
    """Ask for all that waits."""
    patch.setattr(slips._Round, "_free_bays", lambda _: 99)


def one_drive_is_forgotten(patch: pytest.MonkeyPatch) -> None:
    """Leave one drive out of the plan."""
    patch.setattr(spreading, "can_be_asked_for", lambda card: card.number != "K007")


def copies_are_not_kept_apart(patch: pytest.MonkeyPatch) -> None:
    """Know no siblings, neither in the plan nor before a visit."""
    for module in (wants, slips):
        patch.setattr(module, "families", lambda _: ())
    patch.setattr(obstacles, "are_siblings", lambda *_: False)


def the_clock_is_always_believed(patch: pytest.MonkeyPatch) -> None:
    """Record under any date."""
    patch.setattr("tests.simulation.world.YearsLedger.clock_doubt", lambda _: "")


HARD = (Off(800, 200, noticed_after_days=1, is_attested=True), Off(1300, 5, timedelta(9999), 3))
CALM: tuple[Off, ...] = ()


@pytest.mark.parametrize(
    ("bug", "outages", "found"),
    [
        (nobody_escalates, HARD, "without an escalation"),
        (the_backlog_is_not_told, HARD, "without an escalation"),
        (nothing_is_spread, HARD, "drives were brought"),
        (catching_up_is_not_bounded, HARD, "drives were brought"),
        (the_due_date_is_a_month_late, CALM, "late in calm times"),
        (bays_are_not_counted, HARD, "asked for at once"),
        (one_drive_is_forgotten, CALM, "K007"),
        (copies_are_not_kept_apart, HARD, " and K"),
        (the_clock_is_always_believed, HARD, "after the truth"),
    ],
)
def test_a_bug_that_was_put_in_is_found(
    bug: Bug, outages: tuple[Off, ...], found: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A check that cannot fail is no check."""
    bug(monkeypatch)

    world = ran(small(3, years=4, outages=outages))

    assert any(found in complaint for complaint in complaints(world))


@pytest.mark.parametrize("outages", [HARD, CALM])
def test_without_a_bug_the_same_years_are_fine(outages: tuple[Off, ...]) -> None:
    """What finds the bugs is the bugs."""
    assert complaints(ran(small(3, years=4, outages=outages))) == []
