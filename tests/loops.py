"""Loop devices, mounts and file systems for tests, each undone at the end."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import pytest


def run(*words: str | Path) -> str:
    """Run a tool of the base system and return what it says; fail with its own words."""
    path = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
    done = subprocess.run(
        [str(word) for word in words],
        check=False,
        capture_output=True,
        text=True,
        env={**os.environ, "PATH": path, "LC_ALL": "C"},
    )
    assert done.returncode == 0, f"{words}: {done.returncode} {done.stdout} {done.stderr}"
    return done.stdout.strip()


def need(tool: str) -> None:
    """Skip a test whose tool is missing on a contributor's machine; in CI it must be there."""
    if shutil.which(tool, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"):
        return
    assert not os.environ.get("CI"), f"{tool} must be installed where the checks run"
    pytest.skip(f"{tool} is not installed")


def noise_file(path: Path, length: int, seed: int = 1) -> Path:
    """Write a file of reproducible noise, with no holes."""
    path.write_bytes(Random(seed).randbytes(length))
    return path


@contextmanager
def choosing() -> Iterator[None]:
    """Let one test at a time choose a free loop device.

    Tests run side by side. Two that ask for a free device are both told the same one, and the
    loser holds it open for writing until it has noticed: to the winner's test, a stranger that
    writes to its drive.
    """
    with (Path(tempfile.gettempdir()) / "refreshd-tests-loop.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


@contextmanager
def attached(file: Path, *options: str, sector: int = 512) -> Iterator[str]:
    """Attach a file to a loop device and yield its node."""
    with choosing():
        node = run("losetup", "--find", "--show", "--sector-size", str(sector), *options, file)
    try:
        yield node
    finally:
        run("losetup", "--detach", node)


@contextmanager
def mounted(node: str | Path, point: Path, *options: str) -> Iterator[Path]:
    """Mount a file system and yield where."""
    point.mkdir(exist_ok=True)
    run("mount", *options, node, point)
    try:
        yield point
    except BaseException:
        # A test that failed may have left a handle open: the mount must go all the same.
        run("umount", "--lazy", point)
        raise
    run("umount", point)
