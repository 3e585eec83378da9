"""The lock of the shelf, between processes and between threads."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from refreshd.adapters.shelf_lock import FlockShelfLock
from refreshd.errors import RecordFailedError, RefusedError
from refreshd.simulated.clock import SimulatedClock

HOLD = """
import sys
from pathlib import Path
from refreshd.adapters.shelf_lock import FlockShelfLock
from refreshd.simulated.clock import SimulatedClock
with FlockShelfLock(Path(sys.argv[1]), SimulatedClock()):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_another_process_waits_and_is_told_why(tmp_path: Path) -> None:
    """A lock held elsewhere is refused after the stated time; a killed holder lets go."""
    path = tmp_path / "lock"
    clock = SimulatedClock()
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with (
            pytest.raises(RefusedError, match=r"held .* for 60 seconds"),
            FlockShelfLock(path, clock),
        ):
            pass
        assert 60 <= clock.passed_s < 61
        holder.kill()
    with FlockShelfLock(path, clock):
        pass


def test_a_second_user_in_one_process_waits_too(tmp_path: Path) -> None:
    """Flock alone would let two threads in."""
    clock = SimulatedClock()
    lock = FlockShelfLock(tmp_path / "lock", clock, wait_s_max=2)

    with lock, pytest.raises(RefusedError, match="for 2 seconds"), lock:
        pass
    with lock:
        pass


def test_a_lock_that_cannot_be_made_is_an_error_by_name(tmp_path: Path) -> None:
    """A missing state directory is not waited for."""
    lock = FlockShelfLock(tmp_path / "gone" / "lock", SimulatedClock())

    for _ in range(2):
        with pytest.raises(RecordFailedError, match="ENOENT opening the lock"), lock:
            pass
