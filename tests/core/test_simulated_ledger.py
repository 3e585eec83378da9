"""The simulated ledger doubts the clock as the real one does."""

from __future__ import annotations

from datetime import timedelta

import pytest

from refreshd.errors import ClockError
from refreshd.events import ClockAttested, JournalOpened
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.disk import PowerLine
from refreshd.simulated.ledger import SimulatedLedger

OPENED = JournalOpened(program="refreshd 1")


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (timedelta(seconds=-4), ""),
        (timedelta(seconds=-6), "the clock is behind"),
        (timedelta(days=3600), ""),
        (timedelta(days=3700), "days ahead"),
    ],
)
def test_a_clock_that_jumps_is_doubted_until_somebody_attests(step: timedelta, said: str) -> None:
    """I4: a simulated shelf stops dating where the real one would."""
    clock = SimulatedClock()
    ledger = SimulatedLedger(clock, PowerLine())
    assert ledger.clock_doubt() == ""
    ledger.record(OPENED)
    clock.time += step

    assert said in ledger.clock_doubt()
    assert bool(ledger.clock_doubt()) == bool(said)
    if said:
        with pytest.raises(ClockError, match=said):
            ledger.record(OPENED)
        assert len(ledger.entries) == 1
        ledger.record(ClockAttested(said_by="kim"))
    ledger.record(OPENED)

    assert ledger.clock_doubt() == ""
