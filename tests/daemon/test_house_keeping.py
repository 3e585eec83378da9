"""What the loop looks after on its own."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import cast

import pytest

from refreshd.adapters.systemd_notify import Notifier
from refreshd.adapters.worker_processes import WorkerProcesses
from refreshd.configfile import LoadedPolicy
from refreshd.daemon.bells import Bells
from refreshd.daemon.house_keeping import HouseKeeping
from refreshd.policy import Policy
from refreshd.ports import Urgency
from refreshd.wiring.shelf import shelf_for_writing
from refreshd.wiring.station import Station
from tests.caretaker.premises import Premises, a_due_drive
from tests.fakes.house import Silent


@dataclass
class SetBells:
    """Bells that nobody hears."""

    at: datetime | None = None

    def set(self, at: datetime | None) -> None:
        """Note when to ring."""
        self.at = at


@dataclass
class NoWorkers:
    """Bays in which nothing is done."""

    is_idle: bool = True


@dataclass
class Kept:
    """Premises whose caretaker is looked after by the loop."""

    there: Premises
    keeping: HouseKeeping
    bells: SetBells = field(default_factory=SetBells)

    def alarms(self) -> int:
        """Return how often it was said that the clock is not believed."""
        return len(self.there.notices.with_words("clock", Urgency.ALARMS))


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    """Return premises with an empty bay, and a loop that has looked around once."""
    there = a_due_drive()
    station = Station(tmp_path, LoadedPolicy(Policy()), there.clock, Silent())
    with shelf_for_writing(station) as shelf:
        bells = SetBells()
        keeping = HouseKeeping(
            shelf,
            lambda: station,
            there.caretaker,
            cast("WorkerProcesses", NoWorkers()),
            cast("Bells", bells),
            Notifier(None),
        )
        keeping.begin()
        keeping.tick()
        return Kept(there, keeping, bells)


def test_a_clock_that_is_set_back_is_said_at_once(kept: Kept) -> None:
    """I4: the next bell would ring years later; until then everything seemed well."""
    kept.there.clock.time -= timedelta(days=400)
    kept.keeping.tick()

    assert kept.alarms() == 1
    assert "behind" in kept.there.caretaker.status().clock_alarm


def test_a_clock_that_goes_as_it_should_rings_no_bell(kept: Kept) -> None:
    """Idle costs a look at two clocks."""
    bell = kept.there.caretaker.next_bell()
    kept.there.clock.sleep(5)
    kept.keeping.tick()

    assert kept.there.caretaker.next_bell() == bell
    assert kept.alarms() == 0
