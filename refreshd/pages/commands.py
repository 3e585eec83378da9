"""The commands by which a drive is asked about itself, byte for byte. Pure.

ATA commands travel inside of SCSI ones: ATA PASS-THROUGH (16), or `short_form` of it, which is
all that some older bridges know. None of them moves content of the owner or changes a setting.

Source: SAT, ATA PASS-THROUGH (16) and (12), as the kernel uses them (drivers/hwmon/drivetemp.c;
places of the high-order bytes from memory); ACS, SMART, READ LOG EXT, CHECK POWER MODE; SPC,
INQUIRY, LOG SENSE, REQUEST SENSE, SEND DIAGNOSTIC, TEST UNIT READY (from memory); NVMe base
specification, Get Log Page, Identify, Device Self-test (opcode of the last from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from refreshd.health_cards import SelfTestKind

SECTOR_BYTES = 512
"""What every ATA page has."""

LOG_BYTES_MAX = 4096
"""Room for a SCSI log page; the longest that is read here, 10h, has 404 bytes."""

VPD_BYTES_MAX = 1024
"""Room for a page of vital product data; the longest that is read here, 89h, has 572 bytes."""

INQUIRY_BYTES = 36
"""What every device has; some USB bridges hang when asked for more.

Source: Linux drivers/scsi/scsi_scan.c, scsi_probe_lun, which asks for 36 bytes first.
"""

SENSE_BYTES_MAX = 252
"""The longest sense data. Source: SPC, from memory."""


class _Protocol(IntEnum):
    """How the data of an ATA command moves. Source: SAT."""

    NO_DATA = 3
    PIO_IN = 4


_IN_BLOCKS = 0x0E  # T_DIR from the device, BYT_BLOK blocks, T_LENGTH in the count field
_CHECK = 0x20  # CK_COND: end with sense data that holds the registers, even if all went well

_SMART = 0xB0
_SMART_SIGNATURE = 0xC24F00
"""LBA mid 4Fh and high C2h, without which a drive takes no SMART command."""


def _pass_through(
    command: int,
    protocol: _Protocol,
    flags: int,
    *,
    feature: int = 0,
    lba: int = 0,
    is_extended: bool = False,
) -> bytes:
    """Return ATA PASS-THROUGH (16) around one command; the count is 1 where data comes back."""
    lba_bytes = lba.to_bytes(6, "little")
    count = 1 if protocol is _Protocol.PIO_IN else 0
    return bytes(
        (
            0x85,
            protocol << 1 | is_extended,
            flags,
            *feature.to_bytes(2, "big"),
            *count.to_bytes(2, "big"),
            *(lba_bytes[3], lba_bytes[0], lba_bytes[4], lba_bytes[1], lba_bytes[5], lba_bytes[2]),
            0,  # device: the translator fills it in
            command,
            0,
        )
    )


def short_form(command: bytes) -> bytes:
    """
    Return ATA PASS-THROUGH (12) for one of (16), for bridges that know no other.

    To an optical drive the same code means "erase the disc": only for disks (SCSI peripheral
    type 0).

    Raises:
        ValueError: It is no ATA PASS-THROUGH (16), or an extended one, which has no such form.

    """
    if len(command) != 16 or command[0] != 0x85 or command[1] & 1:  # noqa: PLR2004 - see above.
        raise ValueError(f"{command.hex()} has no form in 12 bytes")
    kept = (1, 2, 4, 6, 8, 10, 12, 13, 14)  # protocol, flags, then the low bytes of each field
    return bytes((0xA1, *(command[at] for at in kept), 0, 0))


# ── ATA ──


def identify_device() -> bytes:
    """Ask who it is: 512 bytes."""
    return _pass_through(0xEC, _Protocol.PIO_IN, _IN_BLOCKS)


def smart_read_data() -> bytes:
    """Ask for the attributes and the state of self-tests: 512 bytes."""
    return _smart_read(0xD0)


def smart_read_thresholds() -> bytes:
    """Ask below which value each attribute counts as failing: 512 bytes."""
    return _smart_read(0xD1)


def smart_read_log(log: int) -> bytes:
    """Ask for the first 512 bytes of a log by the older command."""
    return _smart_read(0xD5, log)


def smart_return_status() -> bytes:
    """Ask whether it is about to fail; the answer is in the sense data."""
    return _pass_through(_SMART, _Protocol.NO_DATA, _CHECK, feature=0xDA, lba=_SMART_SIGNATURE)


def summary_error_log() -> bytes:
    """Ask for SMART log 01h: 512 bytes."""
    return smart_read_log(0x01)


def self_test_log() -> bytes:
    """Ask for SMART log 06h: 512 bytes."""
    return smart_read_log(0x06)


def sct_status() -> bytes:
    """Ask for temperatures by SMART log E0h: 512 bytes."""
    return smart_read_log(0xE0)


def read_log_ext(log: int, page: int = 0) -> bytes:
    """Ask for 512 bytes of a log by the newer command. It has no short form."""
    page_bytes = page.to_bytes(2, "little")
    lba = log | page_bytes[0] << 8 | page_bytes[1] << 32
    return _pass_through(0x2F, _Protocol.PIO_IN, _IN_BLOCKS, lba=lba, is_extended=True)


def device_statistics(page: int) -> bytes:
    """Ask for one page of log 04h; page 00h lists which there are. 512 bytes."""
    return read_log_ext(0x04, page)


def extended_self_test_log() -> bytes:
    """Ask for log 07h, by READ LOG EXT, since the older command does not reach it: 512 bytes."""
    return read_log_ext(0x07)


def check_power_mode() -> bytes:
    """Ask whether it stands still, which wakes no drive; the answer is in the sense data."""
    return _pass_through(0xE5, _Protocol.NO_DATA, _CHECK)


def standby_immediate() -> bytes:
    """Order it to flush its cache, park its heads and stop turning."""
    return _pass_through(0xE0, _Protocol.NO_DATA, 0)


_ATA_TESTS = {SelfTestKind.SHORT: 0x01, SelfTestKind.EXTENDED: 0x02}
"""Off-line mode, so that the drive goes on answering. Source: ACS, subcommand in LBA low."""


def self_test(kind: SelfTestKind) -> bytes:
    """
    Order it to test itself beside its work.

    Raises:
        ValueError: It is neither the short nor the extended test.

    """
    return _execute_off_line(_of_kind(_ATA_TESTS, kind))


def _smart_read(feature: int, log: int = 0) -> bytes:
    return _pass_through(
        _SMART, _Protocol.PIO_IN, _IN_BLOCKS, feature=feature, lba=_SMART_SIGNATURE | log
    )


def _execute_off_line(subcommand: int) -> bytes:
    return _pass_through(
        _SMART, _Protocol.NO_DATA, 0, feature=0xD4, lba=_SMART_SIGNATURE | subcommand
    )


def _of_kind(codes: dict[SelfTestKind, int], kind: SelfTestKind) -> int:
    """Return the code of a self-test."""
    if kind not in codes:
        raise ValueError(f"a drive is asked for a short or an extended self-test, not {kind}")
    return codes[kind]


# ── SCSI ──


def inquiry() -> bytes:
    """Ask for vendor, model, revision and type: up to `INQUIRY_BYTES`."""
    return bytes((0x12, 0, 0, *INQUIRY_BYTES.to_bytes(2, "big"), 0))


def inquiry_vpd(page: int) -> bytes:
    """Ask for one page of vital product data: up to `VPD_BYTES_MAX`."""
    return bytes((0x12, 1, page, *VPD_BYTES_MAX.to_bytes(2, "big"), 0))


_CUMULATIVE = 0x40
"""Page control 01b: values since the drive was made. Source: SPC, LOG SENSE."""


def log_sense(page: int) -> bytes:
    """Ask for one log page, cumulative values: up to `LOG_BYTES_MAX`; 00h lists which there are."""
    return bytes((0x4D, 0, _CUMULATIVE | page, 0, 0, 0, 0, *LOG_BYTES_MAX.to_bytes(2, "big"), 0))


def test_unit_ready() -> bytes:
    """Ask whether it is ready, without data; why not is in the sense data."""
    return bytes(6)


def request_sense() -> bytes:
    """Ask for its state in descriptor format, data: up to `SENSE_BYTES_MAX`; wakes no drive."""
    return bytes((0x03, 1, 0, 0, SENSE_BYTES_MAX, 0))


def stop_unit() -> bytes:
    """Order it to flush its cache and stop turning until it is started."""
    return bytes((0x1B, 0, 0, 0, 0, 0))


_SCSI_TESTS = {SelfTestKind.SHORT: 0b001, SelfTestKind.EXTENDED: 0b010}
"""In the background. Source: SPC, SEND DIAGNOSTIC, self-test code in bits 7:5 (from memory)."""


def send_diagnostic(kind: SelfTestKind) -> bytes:
    """
    Order a SCSI drive to test itself in the background.

    Raises:
        ValueError: It is neither the short nor the extended test.

    """
    return bytes((0x1D, _of_kind(_SCSI_TESTS, kind) << 5, 0, 0, 0, 0))


# ── NVMe ──

ALL_NAMESPACES = 0xFFFFFFFF
HEALTH_BYTES, SELF_TEST_LOG_BYTES, IDENTIFY_BYTES = 512, 564, 4096


@dataclass(frozen=True, slots=True)
class AdminCommand:
    """One NVMe admin command; the fields that are not here are 0. `data_bytes` come back."""

    opcode: int
    nsid: int = 0
    cdw10: int = 0
    data_bytes: int = 0


def nvme_identify() -> AdminCommand:
    """Ask who the controller is: Identify with CNS 01h."""
    return AdminCommand(opcode=0x06, cdw10=0x01, data_bytes=IDENTIFY_BYTES)


def nvme_health() -> AdminCommand:
    """Ask for the health log, 02h."""
    return _get_log_page(0x02, HEALTH_BYTES)


def nvme_self_test_log() -> AdminCommand:
    """Ask for the device self-test log, 06h."""
    return _get_log_page(0x06, SELF_TEST_LOG_BYTES)


_NVME_TESTS = {SelfTestKind.SHORT: 0x1, SelfTestKind.EXTENDED: 0x2}
"""Source: NVMe base specification, Device Self-test, STC in CDW10 bits 3:0 (from memory)."""


def nvme_self_test(kind: SelfTestKind) -> AdminCommand:
    """
    Order an NVMe drive to test itself, with all of its namespaces.

    Raises:
        ValueError: It is neither the short nor the extended test.

    """
    return AdminCommand(opcode=0x14, nsid=ALL_NAMESPACES, cdw10=_of_kind(_NVME_TESTS, kind))


def _get_log_page(log: int, data_bytes: int) -> AdminCommand:
    """Ask for the beginning of a log; the number of double words is given less one."""
    words_less_one = data_bytes // 4 - 1
    return AdminCommand(
        opcode=0x02, nsid=ALL_NAMESPACES, cdw10=words_less_one << 16 | log, data_bytes=data_bytes
    )
