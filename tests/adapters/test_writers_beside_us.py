"""What could write to a disk beside us is named, and how to end it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from refreshd.adapters.in_use import assembled, reason_in_use
from refreshd.kernel.openers import is_for_writing
from refreshd.quantities import MIB
from tests import loops


@contextmanager
def opened_elsewhere(node: str, mode: str) -> Iterator[int]:
    """Let another process hold a node open until the end; yield its number."""
    code = f"import os; os.open({node!r}, os.{mode}); print('open', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        yield holder.pid
        holder.communicate("\n")


@pytest.mark.root
def test_a_process_that_can_write_is_a_reason(tmp_path: Path) -> None:
    """A claim does not keep it away: a virtual machine may have been given the whole disk."""
    file = loops.noise_file(tmp_path / "drive.img", MIB)
    with loops.attached(file) as node:
        with opened_elsewhere(node, "O_RDWR") as pid:
            reason = reason_in_use(node) or ""
            assert f"process {pid} (" in reason
            assert f"holds {node} open for writing" in reason

        assert reason_in_use(node) is None


@pytest.mark.root
def test_a_process_that_only_reads_is_none(tmp_path: Path) -> None:
    """Health monitors and udev read; they change nothing."""
    file = loops.noise_file(tmp_path / "drive.img", MIB)
    with loops.attached(file) as node, opened_elsewhere(node, "O_RDONLY"):
        assert reason_in_use(node) is None


@pytest.mark.root
def test_a_handle_of_our_own_is_none(tmp_path: Path) -> None:
    """The process that looks may hold the disk itself."""
    file = loops.noise_file(tmp_path / "drive.img", MIB)
    with loops.attached(file) as node:
        fd = os.open(node, os.O_RDWR)
        try:
            assert reason_in_use(node) is None
        finally:
            os.close(fd)


def test_flags_are_read_as_the_kernel_writes_them() -> None:
    """Source: proc(5): octal, the access mode in the lowest two bits."""
    assert is_for_writing("pos:\t0\nflags:\t02100002\nmnt_id:\t25\n")
    assert is_for_writing("flags:\t0100001\n")
    assert not is_for_writing("pos:\t0\nflags:\t02100000\n")
    assert not is_for_writing("")


def test_what_is_assembled_on_a_disk_is_named_as_its_owner_knows_it() -> None:
    """Names and ids as LVM2 and cryptsetup gave them on Linux 6.1, 2026-11; nobody knows dm-0."""
    volume = assembled(
        "dm-0", "vgx-l0", "LVM-4YKXJS87wHRngg5fHd3HfJYWBdPTuxLcvmJEwKG4l9Uz0sAWTjNVtDzFrfMptKxc"
    )
    locked = assembled("dm-1", "shelf7", "CRYPT-PLAIN-shelf7")

    assert volume.startswith("vgx-l0 (dm-0")
    assert "lvchange -an /dev/mapper/vgx-l0" in volume
    assert "cryptsetup close shelf7" in locked
    assert "dmsetup remove flaky" in assembled("dm-2", "flaky", "")
    assert "mdadm --stop /dev/md0" in assembled("md0", None, "")
