"""Ask an NVMe drive about itself: the ioctl NVME_IOCTL_ADMIN_CMD.

Source: Linux include/uapi/linux/nvme_ioctl.h, struct nvme_admin_cmd; NVMe base specification,
Identify Controller (OACS at byte 256, extended self-test time at 316), status field. The kernel
lets nobody but root (CAP_SYS_ADMIN) read a log page. Source: Linux drivers/nvme/host/ioctl.c.
"""

from __future__ import annotations

import ctypes
import fcntl
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from refreshd.health_cards import PageName, SelfTestKind
from refreshd.pages import commands
from refreshd.pages.commands import AdminCommand

NVME_IOCTL_ADMIN_CMD = 0xC0484E41
TIMEOUT_MS = 30_000

_COMMAND = struct.Struct("=BBHIIIQQII6III")
"""struct nvme_admin_cmd, 72 bytes: opcode, flags, -, namespace, cdw2, cdw3, metadata, address,
metadata length, data length, cdw10 to cdw15, timeout in ms, result."""

PAGE_BYTES: Mapping[PageName, int] = {
    PageName.NVME_IDENTIFY: commands.IDENTIFY_BYTES,
    PageName.NVME_HEALTH: commands.HEALTH_BYTES,
    PageName.NVME_SELF_TEST_LOG: commands.SELF_TEST_LOG_BYTES,
}

_COMMANDS_AT, _SELF_TEST_BIT = 256, 1 << 4
"""Optional admin commands of a controller, and the bit of Device Self-test among them."""

_EXTENDED_MINUTES_AT = 316
_SHORT_MINUTES = 2
"""The longest that a short self-test may take. Source: NVMe base specification, from memory."""


@dataclass(frozen=True, slots=True)
class Done:
    """How an admin command ended. `status` 0: it was carried out."""

    data: bytes = b""
    status: int = 0

    @property
    def is_good(self) -> bool:
        """Whether it was carried out."""
        return self.status == 0


Order = Callable[[AdminCommand], Done]
"""Sends an admin command to one drive. Raises OSError."""


@dataclass(frozen=True, slots=True)
class Pages:
    """The pages of an NVMe drive as they came, and why others did not."""

    pages: Mapping[PageName, bytes]
    refusals: Mapping[PageName, str]


def send(fd: int, command: AdminCommand) -> Done:
    """
    Send one admin command to the drive behind an open node, and wait for its end.

    Raises:
        OSError: EACCES or EPERM without CAP_SYS_ADMIN, ENOTTY where it is no NVMe drive, or an
            error of a drive that is gone.

    """
    data = ctypes.create_string_buffer(command.data_bytes or 1)
    address = ctypes.addressof(data) if command.data_bytes else 0
    packed = bytearray(
        _COMMAND.pack(
            *(command.opcode, 0, 0, command.nsid, 0, 0, 0, address, 0, command.data_bytes),
            *(command.cdw10, 0, 0, 0, 0, 0),
            *(TIMEOUT_MS, 0),
        )
    )
    # The answer is put in place; what is returned is the status of the drive.
    status = fcntl.ioctl(fd, NVME_IOCTL_ADMIN_CMD, packed, True)  # noqa: FBT003 - see above.
    return Done(data.raw[: command.data_bytes], status)


def read_pages(order: Order) -> Pages:
    """Ask for all pages that the controller lists. Raises as `send`."""
    pages: dict[PageName, bytes] = {}
    refusals: dict[PageName, str] = {}
    _ask(order, PageName.NVME_IDENTIFY, commands.nvme_identify(), (pages, refusals))
    _ask(order, PageName.NVME_HEALTH, commands.nvme_health(), (pages, refusals))
    if knows_self_test(pages.get(PageName.NVME_IDENTIFY, b"")):
        _ask(order, PageName.NVME_SELF_TEST_LOG, commands.nvme_self_test_log(), (pages, refusals))
    else:
        refusals[PageName.NVME_SELF_TEST_LOG] = "the drive lists no self-tests"
    return Pages(pages, refusals)


def start_self_test(order: Order, kind: SelfTestKind) -> bool:
    """Start a self-test; False: the drive lists none, or refuses it. Raises as `send`."""
    identify = order(commands.nvme_identify())
    if not identify.is_good or not knows_self_test(identify.data):
        return False
    return order(commands.nvme_self_test(kind)).is_good


def knows_self_test(identify: bytes) -> bool:
    """Say whether a controller lists the command Device Self-test."""
    listed = int.from_bytes(identify[_COMMANDS_AT : _COMMANDS_AT + 2], "little")
    return bool(listed & _SELF_TEST_BIT)


def self_test_minutes(identify: bytes, kind: SelfTestKind) -> int | None:
    """Return how long a self-test takes at most; None where the controller does not say."""
    if not knows_self_test(identify):
        return None
    if kind is SelfTestKind.SHORT:
        return _SHORT_MINUTES
    at = _EXTENDED_MINUTES_AT
    return int.from_bytes(identify[at : at + 2], "little") or None


_Found = tuple[dict[PageName, bytes], dict[PageName, str]]


def _ask(order: Order, name: PageName, command: AdminCommand, found: _Found) -> None:
    """Put one page, or why there is none, with what was found so far."""
    pages, refusals = found
    done = order(command)
    if not done.is_good:
        refusals[name] = f"refused by the drive (NVMe status {done.status & 0x7FF:03X}h)"
    elif not any(done.data):
        refusals[name] = "nothing but zeros came"
    else:
        pages[name] = done.data
