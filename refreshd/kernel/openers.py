"""Which processes hold a device open for writing: nothing in the kernel keeps those away.

A claim (O_EXCL) refuses other claims only. A virtual machine that was given the whole disk, or
a copy that is being made onto it, opens it plainly and goes on writing beside us.
Source: proc(5), /proc/pid/fd and /proc/pid/fdinfo, whose `flags` are octal.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from refreshd.kernel.mounts import device_of_node
from refreshd.pages.octets import printable


@dataclass(frozen=True, slots=True)
class Writer:
    """A process that can write to a device."""

    pid: int
    name: str
    path: str


def writers(devices: Collection[int]) -> Iterator[Writer]:
    """
    Yield the other processes that hold one of the devices open for writing.

    Without root only those of the same user are seen.
    """
    for process in Path("/proc").glob("[0-9]*"):
        if int(process.name) == os.getpid():
            continue
        path = _written_path(process, devices)
        if path is not None:
            yield Writer(int(process.name), _name(process), path)


def _written_path(process: Path, devices: Collection[int]) -> str | None:
    try:
        handles = list((process / "fd").iterdir())
    except OSError:
        return None  # It has ended, or is somebody else's.
    for handle in handles:
        try:
            path = str(handle.readlink())
            info = (process / "fdinfo" / handle.name).read_text(encoding="ascii")
        except OSError:
            continue  # Closed meanwhile.
        # Only what lies in /dev is asked about: a file on a dead server would hang us.
        if path.startswith("/dev/") and is_for_writing(info) and device_of_node(path) in devices:
            return path
    return None


def is_for_writing(info: str) -> bool:
    """Say from a fdinfo text whether the handle can write."""
    flags = next((line for line in info.splitlines() if line.startswith("flags:")), "flags: 0")
    return int(flags.split()[1], 8) & os.O_ACCMODE != os.O_RDONLY


def _name(process: Path) -> str:
    try:
        return printable((process / "comm").read_bytes())
    except OSError:
        return "ended meanwhile"
