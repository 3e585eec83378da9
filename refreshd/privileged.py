"""The root side: the only code of refreshd that runs with root's rights under systemd.

systemd starts it for one connection (`refreshd-helper@.service`), with the connection as
standard input and output. It answers one question, see `refreshd.kernel.root_side`, and ends.

P1  Only the user that the service runs as is answered; the kernel says who asks (SO_PEERCRED).
P2  What is asked is one of four lines that name a device right below /dev; nothing else is read.
P3  A disk is switched off only while it is claimed (O_EXCL) and its disk sequence number, read
    from that very handle, is the one that was named: no other disk can be meant by mistake. An
    NVMe drive is asked about its health, and told to test itself, over a handle with that number.
P4  A disk that anything uses is not switched off: mounted, swapped to, assembled, attached,
    written to, or part of the running system.
P5  Only drives that are meant to be unplugged can be: on USB, on SATA, or said to be removable.
P6  Nothing is written to any disk, ever. The commands that an NVMe drive gets are those in
    `refreshd.pages.commands`: no line can bring another.

It loads no library: what runs as root should fit in one sitting of reading.
"""

from __future__ import annotations

import errno
import os
import pwd
import socket
import stat
import struct
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from refreshd.adapters.in_use import reason_in_use, writers_of
from refreshd.errors import RefusedError
from refreshd.health_cards import SelfTestKind
from refreshd.kernel import ioctls, nvme
from refreshd.kernel.block_tree import Node
from refreshd.kernel.root_side import (
    LINE_BYTES_MAX,
    NOT_STARTED,
    STARTED,
    Answer,
    AskNvmePages,
    AskNvmeSelfTest,
    AskPowerOff,
    AskWriters,
    Question,
    parse,
    with_pages,
)

ENGINE_USER = "refreshd"
_PATIENCE_S = 10.0
_CREDENTIALS = struct.Struct("=iII")  # Source: unix(7), struct ucred: pid, uid, gid.


def main() -> int:
    """Answer the one connection that is standard input."""
    try:
        allowed = pwd.getpwnam(ENGINE_USER).pw_uid
    except KeyError:
        _log(f"there is no user {ENGINE_USER} on this system; nobody is answered")
        return 1
    with socket.socket(fileno=os.dup(sys.stdin.fileno())) as connection:
        connection.settimeout(_PATIENCE_S)
        answer_one(connection, allowed)
    return 0


def answer_one(connection: socket.socket, allowed_uid: int) -> None:
    """Read one question from whoever is allowed to ask, and answer it."""
    pid, uid, _ = _CREDENTIALS.unpack(
        connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    )
    if uid != allowed_uid:  # P1
        _log(f"user {uid} (process {pid}) is not answered")
        return
    try:
        answer = _answered(_line_of(connection), pid)
    except OSError as err:
        cause = errno.errorcode.get(err.errno or 0, str(err))
        answer = Answer(refused=f"{cause} on the side of root")
    _log(f"answered to process {pid}: {told_in_log(answer)}")
    try:
        connection.sendall(answer.line.encode())
    except OSError:
        return  # Whoever asked is gone.


def told_in_log(answer: Answer) -> str:
    """Return an answer for the log: without the pages in it, which come every few seconds."""
    return replace(answer, pages={}).line.strip()


def _line_of(connection: socket.socket) -> str:
    """Return what was asked, up to its end or to more than any question has."""
    raw = b""
    while not raw.endswith(b"\n") and len(raw) <= LINE_BYTES_MAX:
        part = connection.recv(LINE_BYTES_MAX)
        if not part:
            break
        raw += part
    return raw.decode("ascii", "replace")


def _answered(line: str, asked_by: int) -> Answer:
    question: Question | None = parse(line)  # P2
    try:
        if isinstance(question, AskWriters):
            found = writers_of(question.node, but={asked_by})
            return Answer(how="looked", writers=tuple(found))
        if isinstance(question, AskPowerOff):
            return Answer(how=switch_off(question.node, question.disk_sequence))
        if isinstance(question, AskNvmePages):
            return with_pages(read_nvme(question.node, question.disk_sequence))
        if isinstance(question, AskNvmeSelfTest):
            is_started = test_nvme(question.node, question.disk_sequence, question.kind)
            return Answer(how=STARTED if is_started else NOT_STARTED)
    except RefusedError as err:
        return Answer(refused=str(err))
    return Answer(refused="no question that is answered here")


def switch_off(node: str, disk_sequence: int) -> str:
    """
    Switch a disk off, and say how.

    Raises:
        RefusedError: A guard or the kernel said no; the disk was left as it is.

    """
    try:
        return _switched_off(node, disk_sequence)
    except OSError as err:
        cause = errno.errorcode.get(err.errno or 0, str(err))
        raise RefusedError(f"{node}: {cause} switching it off; it may still be on") from err


def _switched_off(node: str, disk_sequence: int) -> str:
    """Go through the guards one by one, then switch a disk off."""
    found = os.lstat(node)
    disk = Node(found.st_rdev)
    if not stat.S_ISBLK(found.st_mode) or not disk.exists:
        raise RefusedError(f"{node}: no whole disk")
    if reason := reason_in_use(node):  # P4
        raise RefusedError(reason)
    switch = off_switch(disk.sysfs.resolve())
    if switch is None:  # P5
        raise RefusedError(f"{node}: not on USB or SATA and not removable; unplug it by hand")
    pull(switch, node, disk_sequence)
    return switch.words


@dataclass(frozen=True, slots=True)
class Switch:
    """The file of the kernel that switches a disk off, and what that comes to."""

    file: Path
    words: str


def pull(switch: Switch, node: str, disk_sequence: int) -> None:
    """Write to a switch while the disk is claimed and provably the one that is meant."""
    # Opened before the proof: the file stays that of this device, whatever comes to its name.
    with _opened(switch.file, os.O_WRONLY) as lever, _claimed(node) as claim:
        if ioctls.disk_sequence(claim) != disk_sequence:  # P3
            raise RefusedError(f"{node}: another disk stands there by now; nothing was done")
        os.fsync(claim)  # What others left in memory for it; fails where it cannot be kept.
        os.write(lever, b"1")


def off_switch(disk_folder: Path) -> Switch | None:
    """
    Return how a disk can be switched off; None where it is not meant to be unplugged.

    Source: Linux Documentation/ABI/testing/sysfs-bus-usb, remove; scsi_mid_low_api, the file
    `delete` of a SCSI device.
    """
    usb = next((each for each in disk_folder.parents if (each / "idVendor").is_file()), None)
    if usb is not None and _disks_below(usb) == 1 and (usb / "remove").exists():
        return Switch(usb / "remove", "powered off at its USB port")
    delete = disk_folder / "device" / "delete"
    is_on_sata = any(part.startswith("ata") and part[3:].isdigit() for part in disk_folder.parts)
    if delete.exists() and (usb is not None or is_on_sata or _is_removable(disk_folder)):
        # Of a dock with several drives only this one may go.
        return Switch(delete, "taken off its bus")
    return None


def _disks_below(usb: Path) -> int:
    """Count the disks behind one USB device: a dock with two bays is one device."""
    return sum(1 for folder in usb.rglob("block") for _ in folder.iterdir())


def _is_removable(disk_folder: Path) -> bool:
    return (disk_folder / "removable").read_text(encoding="ascii").strip() == "1"


@contextmanager
def _opened(path: Path, flags: int) -> Iterator[int]:
    fd = os.open(path, flags | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        yield fd
    finally:
        os.close(fd)


@contextmanager
def _claimed(node: str) -> Iterator[int]:
    """Claim a disk, so that nothing can begin to use it meanwhile."""
    try:
        with _opened(Path(node), os.O_RDONLY | os.O_EXCL | os.O_NONBLOCK) as fd:
            yield fd
    except OSError as err:
        if err.errno == errno.EBUSY:
            raise RefusedError(f"{node}: something has claimed it; it stays on") from err
        raise


def read_nvme(node: str, disk_sequence: int) -> nvme.Pages:
    """
    Return the pages of an NVMe drive.

    Raises:
        RefusedError: Another drive stands there, or it takes no commands.

    """
    with _nvme_drive(node, disk_sequence) as order:
        return nvme.read_pages(order)


def test_nvme(node: str, disk_sequence: int, kind: SelfTestKind) -> bool:
    """Start a self-test of an NVMe drive; False: it knows none. Raises as `read_nvme`."""
    with _nvme_drive(node, disk_sequence) as order:
        return nvme.start_self_test(order, kind)


@contextmanager
def _nvme_drive(node: str, disk_sequence: int) -> Iterator[nvme.Order]:
    """Open an NVMe drive that is provably the one that is meant; the pass keeps its claim on it."""
    try:
        with _opened(Path(node), os.O_RDONLY | os.O_NONBLOCK) as fd:
            if not stat.S_ISBLK(os.fstat(fd).st_mode):
                raise RefusedError(f"{node}: no whole disk")
            if ioctls.disk_sequence(fd) != disk_sequence:  # P3
                raise RefusedError(f"{node}: another disk stands there by now; it was not asked")
            yield partial(nvme.send, fd)
    except OSError as err:
        cause = errno.errorcode.get(err.errno or 0, str(err))
        raise RefusedError(f"{node}: {cause} asking it about itself") from err


def _log(sentence: str) -> None:
    """Say it on standard error, which is the system's log."""
    sys.stderr.write(f"{sentence}\n")


if __name__ == "__main__":
    sys.exit(main())
