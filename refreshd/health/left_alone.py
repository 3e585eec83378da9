"""
Drives that drop off the bus instead of answering, and are therefore asked no more. Pure.

Some bridges reset themselves at a question that they do not know. The drive comes back at once,
as one that was just plugged in, and would be asked again without end: each time its heads go off
the platters, and no pass ever begins.

- L1 A drive that went away the last two times at the same moment is not asked at that moment,
  until `AGAIN_AFTER` has passed. Once may be chance: somebody pulled it out.
- L2 Whoever asks by hand is not refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from refreshd.health_cards import HealthEntry, Moment

WENT_AWAY = "it went away when it was asked"
NOT_ASKED = "it is not asked: the last two times it went away at that"

TIMES = 2
AGAIN_AFTER = timedelta(days=365)
"""By then it may stand in another dock; one drop a year wears nothing out. Chosen, no source."""


def is_left_alone(series: Sequence[HealthEntry], moment: Moment, now: datetime) -> bool:
    """Say whether a drive is not to be asked at a moment, by its readings, oldest first (L1)."""
    asked = [one for one in series if one.moment is moment and one.reading.silence != NOT_ASKED][
        -TIMES:
    ]
    went = [one for one in asked if one.reading.silence == WENT_AWAY]
    return len(went) == TIMES and now - went[-1].at < AGAIN_AFTER
