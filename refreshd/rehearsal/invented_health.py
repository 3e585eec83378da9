"""What the drives of a rehearsal answer when they are asked how they are: an image has no sensor.

The answers are invented, and real pages: they go the way of those of a real drive, from the
checksums on.
"""

from __future__ import annotations

from refreshd.health_cards import Measure
from refreshd.ports import Clock
from refreshd.simulated.examiner import HEALTHY, SimulatedExaminer, Warmth

HOT_CELSIUS = 51.0
"""Where a drive is whose fan stands still. It cools as soon as it rests."""

MOVED = 24
"""Sectors that the drive which has begun to fail took out of use."""


def healthy() -> SimulatedExaminer:
    """Return a drive that nothing speaks against, at 36 °C."""
    return SimulatedExaminer()


def hot(clock: Clock) -> SimulatedExaminer:
    """Return a drive that is too hot to work and cools at rest."""
    warmth = Warmth(clock, busy_s=lambda: 0.0)
    warmth.now = HOT_CELSIUS
    return SimulatedExaminer(warmth.celsius)


def failing() -> SimulatedExaminer:
    """Return a drive that says that it is about to fail, and has reason to."""
    measures = dict(HEALTHY) | {Measure.MOVED_SECTORS: MOVED}
    return SimulatedExaminer(measures=measures, is_failing=True)
