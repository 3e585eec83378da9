"""Let a disk stop turning, and, in solid-state drives, write down what they keep in mind.

Source: SBC, START STOP UNIT (1Bh) with START = 0; SAT translates it to STANDBY IMMEDIATE. ACS,
STANDBY IMMEDIATE (E0h), by SAT ATA PASS-THROUGH (16), protocol 3, no data. Both flush the
drive's cache before the heads are parked.
"""

from __future__ import annotations

from refreshd.kernel import ata
from refreshd.pages import commands

TIMEOUT_MS = 60_000
"""A large disk takes ten to twenty seconds to park and stop (common practice, no source)."""

STOP_UNIT = commands.stop_unit()

STANDBY_IMMEDIATE = commands.standby_immediate()


def stop_for_good(fd: int) -> bool:
    """Stop a disk that will be unplugged; say whether it took the order."""
    return _first_taken(fd, STOP_UNIT, STANDBY_IMMEDIATE)


def stop_for_now(fd: int) -> bool:
    """Stop a disk that stays: after a standby each of them starts again when it is read."""
    return _first_taken(fd, STANDBY_IMMEDIATE, STOP_UNIT)


def _first_taken(fd: int, *orders: bytes) -> bool:
    return any(ata.order(fd, order, TIMEOUT_MS) for order in orders)
