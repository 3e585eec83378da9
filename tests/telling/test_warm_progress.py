"""A pass says how warm its drive is, and a rest for heat is no slowness."""

from __future__ import annotations

import re
from io import StringIO

from refreshd.health_cards import HeatLimits
from refreshd.passes.heat import begun, heard, resting_words
from refreshd.simulated.clock import SimulatedClock
from refreshd.telling.progress import RESTING, PlainTeller
from tests.fakes.broken_ports import BusyAttendant
from tests.fakes.warm import warm_room


def test_a_pass_says_how_warm_its_drive_is() -> None:
    """The archivist sees the temperature beside what is being done."""
    warm = warm_room()
    doings: list[str] = []

    class Listener(BusyAttendant):
        def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
            doings.append(doing)

    warm.room.attendant = Listener()
    warm.room.refresh()

    assert any(re.fullmatch(r"rewriting, [34][0-9] °C", doing) for doing in doings)


def test_a_rest_begins_with_the_word_that_progress_knows() -> None:
    """Two modules agree on one word, and this holds them to it."""
    heat = begun(HeatLimits(), 51, is_silent=False)

    assert resting_words(heard(heat, 51, 0.0)).startswith(RESTING)


def test_a_rest_counts_into_no_rate_and_no_time_left() -> None:
    """A drive that rested for ten minutes is no slower for that."""
    out, clock = StringIO(), SimulatedClock()
    teller = PlainTeller(out, clock, lambda: False)

    teller.moved(0, 100 * 10**6, "reading, 50 °C")
    for _ in range(20):
        teller.moved(0, 100 * 10**6, "resting for heat, 50 °C")
        clock.sleep(30)
    teller.moved(0, 100 * 10**6, "reading, 45 °C")
    clock.sleep(10)
    teller.moved(10 * 10**6, 100 * 10**6, "reading, 45 °C")

    lines = out.getvalue().splitlines()
    assert lines[1].startswith("resting for heat, 50 °C: at 0 bytes")
    assert lines[-1] == "reading, 45 °C: at 10 MB of 100 MB (10 %), 1.0 MB/s, about 2 minutes left"
