"""The end of a visit: what is flushed, stopped, powered off, and what is left alone."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.adapters.disk_release import release, rest
from refreshd.errors import (
    DriveGoneError,
    FlushFailedError,
    MediumInUseError,
    MediumLockedError,
    MistakenDriveError,
)
from refreshd.kernel import spin_down
from refreshd.kernel.block_tree import Node
from refreshd.ports import Seat
from refreshd.quantities import MIB
from refreshd.simulated.clock import SimulatedClock
from refreshd.wiring.releasing import release_at
from tests import loops
from tests.faulty_file import served


@pytest.fixture
def seat(tmp_path: Path) -> Iterator[Seat]:
    """Return the seat of a loop device."""
    with loops.attached(loops.noise_file(tmp_path / "drive.img", MIB)) as node:
        yield Seat(node, Node(Path(node).stat().st_rdev).sequence)


def never(node: str, sequence: int | None) -> str:
    """Fail: this disk's power is not to be cut."""
    pytest.fail(f"the power of {node} ({sequence}) was cut")


def test_the_orders_are_those_of_the_standards() -> None:
    """Source: SBC, START STOP UNIT with START = 0; ACS, STANDBY IMMEDIATE by SAT, no data."""
    assert spin_down.STOP_UNIT.hex() == "1b0000000000"
    assert spin_down.STANDBY_IMMEDIATE.hex() == "8506000000000000000000000000e000"


@pytest.mark.root
def test_a_loop_device_is_flushed_and_that_is_all(seat: Seat) -> None:
    """It has no motor and no power of its own, and nobody says that it had."""
    assert release(seat, never).how == "flushed, nothing to spin down"
    assert rest(seat) == f"{seat.node}: flushed, nothing to spin down."


@pytest.mark.root
def test_another_disk_at_the_node_is_left_alone(seat: Seat) -> None:
    """I9: between the order and the act the drive may have been exchanged."""
    sequence = seat.disk_sequence
    assert sequence is not None
    with pytest.raises(MistakenDriveError, match="another disk was plugged in meanwhile"):
        release(Seat(seat.node, sequence + 1), never)


@pytest.mark.root
def test_a_disk_that_udev_looks_at_is_waited_for(seat: Seat) -> None:
    """A lock on the node is for a moment; it is told apart from a use that stays."""
    fd = os.open(seat.node, os.O_RDONLY)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX)
        with pytest.raises(MediumLockedError):
            release(seat, never)
        clock = SimulatedClock()
        with pytest.raises(MediumLockedError):
            release_at(seat, clock)
        assert clock.passed_s >= 10
    finally:
        os.close(fd)
    assert release_at(seat, SimulatedClock()).how == "flushed, nothing to spin down"


@pytest.mark.root
def test_a_mounted_disk_is_not_released(seat: Seat, tmp_path: Path) -> None:
    """I9: what is mounted may be written to at any moment; the claim of the kernel says so."""
    loops.run("mkfs.ext4", "-q", "-F", seat.node)
    with loops.mounted(seat.node, tmp_path / "point"):
        with pytest.raises(MediumInUseError, match="something else has claimed it"):
            release(seat, never)
        with pytest.raises(MediumInUseError, match="unmount it first"):
            release_at(seat, SimulatedClock())


def test_a_disk_that_is_gone_is_said_to_be_gone(tmp_path: Path) -> None:
    """Nothing can be flushed any more, and nothing is claimed to have been."""
    with pytest.raises(DriveGoneError, match="is gone"):
        release(Seat(str(tmp_path / "sdx"), 1), never)


@pytest.mark.root
def test_a_failed_flush_is_not_asked_again(tmp_path: Path) -> None:
    """The kernel forgets the error: a second flush would say yes over lost bytes."""
    if not Path("/dev/fuse").exists():
        pytest.skip("this kernel or container has no /dev/fuse")
    with (
        served(bytes(MIB), tmp_path / "fuse") as file,
        loops.attached(file.path, "--direct-io=on") as node,
    ):
        seat = Seat(node, Node(Path(node).stat().st_rdev).sequence)
        file.flushes, file.flush_failures, file.flush_errno = 0, 1, errno.EIO
        with pytest.raises(FlushFailedError, match="Do not unplug it"):
            release(seat, never)
        assert file.flushes == 1
