"""A disk is let go of: nothing uses it any more, then it is flushed and stopped."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from typing import TypeVar

from refreshd import privileged
from refreshd.adapters.disk_release import Letting, PowerOff, release, rest
from refreshd.adapters.in_use import reason_in_use
from refreshd.errors import MediumInUseError, MediumLockedError, RefusedError
from refreshd.kernel.root_side import ask_power_off
from refreshd.ports import Clock, Seat
from refreshd.wiring.search import LOCK_PATIENCE_S, LOCK_RETRY_S

R = TypeVar("R")


def power_off_way() -> PowerOff:
    """Return how a disk's power is cut: by ourselves as root, else by the root side."""
    return partial(_power_off, privileged.switch_off if os.geteuid() == 0 else ask_power_off)


def _power_off(way: Callable[[str, int], str], node: str, disk_sequence: int | None) -> str:
    """Cut the power of a disk that can be told from the next one at its node."""
    if disk_sequence is None:
        raise RefusedError(f"{node}: this kernel numbers no disks, so another could be meant")
    return way(node, disk_sequence)


def release_at(seat: Seat, clock: Clock) -> Letting:
    """
    Flush, stop and power off the disk at a seat.

    Raises:
        MediumInUseError: Something else uses it.
        DriveGoneError, MistakenDriveError: It is not there any more.
        FlushFailedError, DriveError: It must not be unplugged yet.

    """
    return _unused(seat, clock, lambda: release(seat, power_off_way()))


def rest_at(seat: Seat, clock: Clock) -> str:
    """Let the disk at a seat stop turning; return what was done, in words. Raises likewise."""
    return _unused(seat, clock, lambda: rest(seat))


def _unused(seat: Seat, clock: Clock, act: Callable[[], R]) -> R:
    """Act once nothing uses the disk: udev, which looks at it for a moment, is waited for."""
    reason = reason_in_use(seat.node)
    if reason is not None:
        raise MediumInUseError(reason)
    last_try_s = clock.elapsed_s() + LOCK_PATIENCE_S
    while True:
        try:
            return act()
        except MediumLockedError:
            if clock.elapsed_s() >= last_try_s:
                raise
            clock.sleep(LOCK_RETRY_S)
