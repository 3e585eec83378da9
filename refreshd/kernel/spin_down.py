"""Let a disk stop turning, and, in solid-state drives, write down what they keep in mind.

Source: SBC, START STOP UNIT (1Bh) with START = 0; SAT translates it to STANDBY IMMEDIATE. ACS,
STANDBY IMMEDIATE (E0h), by SAT ATA PASS-THROUGH (16), protocol 3, no data. Both flush the
drive's cache before the heads are parked.
"""

from __future__ import annotations

from refreshd.kernel import ata

TIMEOUT_MS = 60_000
"""A large disk takes ten to twenty seconds to park and stop (common practice, no source)."""

STOP_UNIT = bytes((0x1B, 0, 0, 0, 0, 0))

STANDBY_IMMEDIATE = bytes(
    (
        0x85,  # ATA PASS-THROUGH (16)
        0x06,  # protocol 3: no data
        0x00,  # nothing moves, no answer in the sense data is asked for
        *(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0),  # features, count, address, device
        0xE0,  # STANDBY IMMEDIATE
        0,
    )
)


def stop_for_good(fd: int) -> bool:
    """Stop a disk that will be unplugged; say whether it took the order."""
    return _first_taken(fd, STOP_UNIT, STANDBY_IMMEDIATE)


def stop_for_now(fd: int) -> bool:
    """Stop a disk that stays: after a standby each of them starts again when it is read."""
    return _first_taken(fd, STANDBY_IMMEDIATE, STOP_UNIT)


def _first_taken(fd: int, *orders: bytes) -> bool:
    return any(ata.order(fd, order, TIMEOUT_MS) for order in orders)
