"""Twenty years of a shelf whose drives age, fail, get too hot or say nothing."""

from __future__ import annotations

import sys
from collections.abc import Callable

import pytest

from refreshd.caretaker import readings
from refreshd.events import DriveHeld
from refreshd.passes import health_gate
from refreshd.simulated.archivist import Habits
from refreshd.wants import Want
from tests.simulation.ailing import AilingWorld, Ailments
from tests.simulation.test_twenty_years import OUTAGES, SMALL_POLICY, complaints, figures
from tests.simulation.world import Off, Scenario

WITH_VISITS = SMALL_POLICY
EVERY_FOUR_MONTHS = {
    **SMALL_POLICY,
    "defaults": {"request_timeout": "24 hours", "health_interval": "4 months"},
}


def ran(
    seed: int,
    policy: dict[str, object],
    years: int = 20,
    outages: tuple[Off, ...] = OUTAGES,
    drives: int = 60,
) -> AilingWorld:
    """Return a world of ailing drives in which the years have passed."""
    scenario = Scenario(seed, drives, years, policy, outages, Habits(), mishaps_a_year=2, deaths=1)
    world = AilingWorld(scenario, Ailments())
    world.run()
    sys.stdout.write(f"seed {seed}: {figures(world)}; {said(world)}\n")
    return world


def said(world: AilingWorld) -> str:
    """Return what a run came to in health, in words."""
    readings_taken = sum(len(times) for times in world.reads.values())
    held = [card.number for card in world.ledger.drives() if card.hold is not None]
    return (
        f"{readings_taken} readings, {len(world.bad_since)} to be replaced, {len(held)} on hold, "
        f"told {sum(world.told.values())} times"
    )


def all_complaints(world: AilingWorld) -> list[str]:
    """Return all that went wrong, in health and otherwise."""
    return [*world.health_complaints(), *complaints(world, world.ever_bad)]


@pytest.mark.parametrize("seed", [21, 22])
def test_twenty_years_in_which_drives_fail_and_overheat(seed: int) -> None:
    """No drive that fails is written to, of each people are told, none is left unread (I2)."""
    world = ran(seed, WITH_VISITS)

    assert all_complaints(world) == []
    events = [entry.event for entry in world.ledger.entries]
    held = {event.drive for event in events if isinstance(event, DriveHeld)}
    failing = set(world.bays.room.failing_from_s)
    assert failing <= held
    assert len(failing) >= 5
    assert set(world.told) >= held
    assert any("gets hotter" in one.body for _, one in world.board.posted)


def test_twenty_years_in_which_each_drive_is_asked_every_four_months() -> None:
    """Readings are asked out and merged with passes; one bay is enough for forty drives."""
    world = ran(23, EVERY_FOUR_MONTHS, drives=40)

    assert all_complaints(world) == []


# --- Bugs that the simulation must find

Bug = Callable[[pytest.MonkeyPatch], None]


def the_gate_is_removed(patch: pytest.MonkeyPatch) -> None:
    """Put no failing drive on hold."""
    patch.setattr(health_gate, "hold", lambda *_: None)
    patch.setattr("refreshd.simulated.timed_pass.hold", lambda *_: None)
    patch.setattr("refreshd.cards.DriveCard.is_to_replace", False)


def failing_in_mid_pass_is_not_noticed(patch: pytest.MonkeyPatch) -> None:
    """Do not listen to a drive while it is rewritten."""
    patch.setattr("refreshd.simulated.timed_pass.TimedPass._fail_in_pass", lambda _: None)


def nobody_is_told(patch: pytest.MonkeyPatch) -> None:
    """Keep verdicts to oneself."""
    patch.setattr(readings, "tell_worse", lambda _: None)


def a_drive_that_wears_out_is_still_rewritten(patch: pytest.MonkeyPatch) -> None:
    """Plan and do as if "copy off and replace" had not been said."""
    patch.setattr("refreshd.cards.DriveCard.is_to_replace", False)


def readings_are_not_planned(patch: pytest.MonkeyPatch) -> None:
    """Ask no drive out for a reading."""
    patch.setattr(Want, "_health_due", lambda _: float("inf"))


@pytest.mark.parametrize(
    ("bug", "found"),
    [
        (the_gate_is_removed, "after it began to fail"),
        (failing_in_mid_pass_is_not_noticed, "after it began to fail"),
        (nobody_is_told, "nobody was told"),
        (a_drive_that_wears_out_is_still_rewritten, "is rewritten, bad"),
        (readings_are_not_planned, "not asked how it is"),
    ],
)
def test_a_bug_in_the_care_of_health_is_found(
    bug: Bug, found: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A check that cannot fail is no check."""
    bug(monkeypatch)

    world = ran(24, EVERY_FOUR_MONTHS, years=8, outages=())

    # All of them: a bug that shows daily would hide what it does once a year.
    assert any(found in complaint for complaint in [*world.wrongs, *all_complaints(world)])


def test_without_a_bug_the_same_years_of_health_are_fine() -> None:
    """What finds the bugs is the bugs."""
    assert all_complaints(ran(24, EVERY_FOUR_MONTHS, years=8, outages=())) == []
