"""All that a caretaker has about it, joined in one place by whoever starts it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from refreshd.policy import Policy
from refreshd.ports import Bays, Clock, Ledger, NoticeBoard


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The ports of a caretaker. None of them may wait; only the ledger may fail."""

    ledger: Ledger
    clock: Clock
    bays: Bays
    notices: NoticeBoard
    policy: Callable[[], Policy]  # the one in force now
    local: Callable[[datetime], datetime]  # UTC to the server's own clock on the wall
    is_on_battery: Callable[[], bool]
    battery_every_s: float | None = 60.0  # how often to ask; None: this server has no battery
