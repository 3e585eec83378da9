"""A disk that is asked about itself: answers commands from a table, and notes which were sent.

Fault model: it knows commands of 12 bytes alone; it gives registers back in either format of
sense data, or not at all; it answers zeros, too little, the answer before, or nothing in time; it
is busy or was reset; the kernel refuses to pass a command on; it is pulled out at any command.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal

from refreshd.health_cards import PageName, RawPages
from refreshd.kernel.sg_io import Send, Sent
from refreshd.pages import commands
from tests.pages_made import fixed_sense

UNKNOWN_COMMAND = Sent(status=0x02, sense=bytes.fromhex("7000050000000000000000002000").ljust(18))
"""Fixed sense data, illegal request, invalid command operation code. Source: SPC."""

WAS_RESET = Sent(status=0x02, sense=bytes.fromhex("7000060000000000000000002900").ljust(18))
BUSY = Sent(status=0x08)
NO_ANSWER = Sent(host_status=0x03)
"""Source: Linux include/scsi/scsi_status.h, DID_TIME_OUT."""

ATA_COMMANDS: Mapping[PageName, bytes] = {
    PageName.ATA_IDENTIFY: commands.identify_device(),
    PageName.ATA_SMART_DATA: commands.smart_read_data(),
    PageName.ATA_THRESHOLDS: commands.smart_read_thresholds(),
    PageName.ATA_STATUS: commands.smart_return_status(),
    PageName.ATA_ERROR_LOG: commands.summary_error_log(),
    PageName.ATA_SELF_TEST_LOG: commands.self_test_log(),
    PageName.ATA_EXTENDED_SELF_TEST_LOG: commands.extended_self_test_log(),
    PageName.ATA_STATISTICS_00: commands.device_statistics(0),
    PageName.ATA_STATISTICS_01: commands.device_statistics(1),
    PageName.ATA_STATISTICS_03: commands.device_statistics(3),
    PageName.ATA_STATISTICS_04: commands.device_statistics(4),
    PageName.ATA_STATISTICS_05: commands.device_statistics(5),
    PageName.ATA_STATISTICS_07: commands.device_statistics(7),
    PageName.ATA_SCT_STATUS: commands.sct_status(),
}

SCSI_COMMANDS: Mapping[PageName, bytes] = {
    PageName.SCSI_INQUIRY: commands.inquiry(),
    **{
        name: commands.inquiry_vpd(int(name.value[9:11], 16))
        for name in PageName
        if name.value.startswith("scsi vpd")
    },
    **{
        name: commands.log_sense(int(name.value[9:11], 16))
        for name in PageName
        if name.value.startswith("scsi log")
    },
}

Registers = Literal["descriptor", "fixed", "none"]


@dataclass
class AskedDisk:
    """
    The way to one disk, as `ScsiExaminer` has it.

    Args:
        answers: What each command gives, byte for byte; whatever is not there is not known.
        first: What the next commands give instead, whichever they are, one after the other.
        celsius: What the kernel's own sensor says.

    """

    answers: dict[bytes, Sent | Exception] = field(default_factory=dict)
    first: list[Sent | Exception] = field(default_factory=list)
    celsius: int | None = None
    size_bytes: int = 0
    is_on_usb: bool = False
    is_virtual: bool = False
    sleeps_in_kernel: bool = False
    asked: list[bytes] = field(default_factory=list)
    times_opened: int = 0

    def is_suspended(self) -> bool:
        """Say whether the kernel has put it to sleep."""
        return self.sleeps_in_kernel

    def hwmon_celsius(self) -> int | None:
        """Return what the sensor says."""
        return self.celsius

    @contextmanager
    def scsi(self) -> Iterator[Send]:
        """Take questions."""
        self.times_opened += 1
        yield self._sent

    def _sent(self, cdb: bytes, data_bytes: int, timeout_ms: int) -> Sent:
        assert timeout_ms >= 10_000
        self.asked.append(cdb)
        answer = self.first.pop(0) if self.first else self.answers.get(cdb, UNKNOWN_COMMAND)
        if isinstance(answer, Exception):
            raise answer
        assert len(answer.data) <= data_bytes
        return answer

    @property
    def ata_asked(self) -> list[int]:
        """The codes of the ATA commands that were sent, in either form."""
        long = [cdb[14] for cdb in self.asked if cdb[0] == 0x85]
        return long + [cdb[9] for cdb in self.asked if cdb[0] == 0xA1]


def ata_disk(
    raw: RawPages, *, is_short: bool = False, registers: Registers = "descriptor"
) -> AskedDisk:
    """Return a disk that gives the pages of an ATA drive, and lists its logs."""
    answers: dict[bytes, Sent | Exception] = {}
    for name, page in raw.pages.items():
        answers[ATA_COMMANDS[name]] = Sent(page)
    answers[commands.read_log_ext(0)] = Sent(log_directory(4, 7))
    status = raw.pages.get(PageName.ATA_STATUS)
    if status is not None:
        answers[ATA_COMMANDS[PageName.ATA_STATUS]] = with_registers(status, registers)
    if is_short:
        answers = {
            commands.short_form(cdb): sent for cdb, sent in answers.items() if not cdb[1] & 1
        }
    return AskedDisk(answers)


def scsi_disk(raw: RawPages) -> AskedDisk:
    """Return a disk that gives the pages of a SCSI drive, and lists its pages."""
    answers: dict[bytes, Sent | Exception] = {
        SCSI_COMMANDS[name]: Sent(page) for name, page in raw.pages.items()
    }
    vpds = bytes(int(n.value[9:11], 16) for n in raw.pages if n.value.startswith("scsi vpd"))
    answers[commands.inquiry_vpd(0)] = Sent(bytes((0, 0, 0, len(vpds))) + vpds)
    return AskedDisk(answers)


def with_registers(descriptor: bytes, registers: Registers) -> Sent:
    """Return an answer whose registers come back as a bridge may give them."""
    if registers == "none":
        return Sent()
    if registers == "fixed":
        descriptor = fixed_sense(
            descriptor[17], descriptor[19], count=descriptor[13], status=descriptor[21]
        )
    return Sent(status=0x02, sense=descriptor)


def log_directory(*logs: int) -> bytes:
    """Return the list of general-purpose logs, with one sector for each of these."""
    raw = bytearray(512)
    raw[0] = 1
    for log in logs:
        raw[2 * log] = 1
    return bytes(raw)
