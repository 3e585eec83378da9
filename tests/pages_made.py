"""Pages as drives give them, made for tests: valid sectors with given values, sums included.

Made from the same layouts as the decoders, by other code: offsets are written out here as the
sources print them. None was captured from a drive.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from refreshd.health_cards import PageName, RawPages, Route

NOT_VALID, UNKNOWN = "not valid", "unknown"
"""What a statistic can be beside a number."""


def with_sum(sector: bytearray) -> bytes:
    """Return a sector of 512 bytes whose last byte makes the sum of all 0 modulo 256."""
    sector[511] = -sum(sector[:511]) % 256
    return bytes(sector)


# ── ATA ──


@dataclass(frozen=True)
class Identify:
    """What an IDENTIFY DEVICE sector is made of; the defaults are the worked sector."""

    serial: str = "RD-TEST12345678"
    firmware: str = "01.01A01"
    model: str = "REFRESHD TEST MODEL 16TB"
    sectors: int = 31_251_759_104
    wwn: int = 0x5000C500A1B2C3D4
    rotation: int = 7200
    words: Mapping[int, int] = field(default_factory=dict)  # what else stands where

    def sector(self) -> bytes:
        """Return the sector."""
        words = [0] * 256
        words[0] = 0x0040
        for first, count, said in ((10, 10, self.serial), (23, 4, self.firmware)):
            words[first : first + count] = text_words(said, count)
        words[27:47] = text_words(self.model, 20)
        for word, value in ((82, 0x21), (83, 0x4400), (84, 0x4003), (85, 0x21), (86, 0x400)):
            words[word] = value
        words[87], words[106], words[206], words[217] = 0x4003, 0x6003, 0x003D, self.rotation
        words[100:104] = [self.sectors >> 16 * at & 0xFFFF for at in range(4)]
        words[108:112] = [self.wwn >> 16 * (3 - at) & 0xFFFF for at in range(4)]
        for word, value in self.words.items():
            words[word] = value
        raw = bytearray(struct.pack("<256H", *words))
        raw[510] = 0xA5
        return with_sum(raw)


def text_words(text: str, count: int) -> list[int]:
    """Return text as IDENTIFY words: padded with spaces, the first character in the high byte."""
    padded = text.encode("ascii").ljust(2 * count)
    return [padded[2 * at] << 8 | padded[2 * at + 1] for at in range(count)]


@dataclass(frozen=True)
class Row:
    """One SMART attribute. `raw` is a number, or six bytes."""

    number: int
    raw: int | bytes = 0
    flags: int = 0x0032
    value: int = 100
    worst: int = 100

    def packed(self) -> bytes:
        """Return its twelve bytes."""
        raw = self.raw.to_bytes(6, "little") if isinstance(self.raw, int) else self.raw
        return struct.pack("<BHBB6sB", self.number, self.flags, self.value, self.worst, raw, 0)


def smart_data(
    rows: Sequence[Row] = (), *, test_status: int = 0, polling: tuple[int, int, int] = (2, 200, 0)
) -> bytes:
    """Return a SMART READ DATA sector. `polling`: bytes 372 and 373, and the word at 375."""
    raw = bytearray(512)
    raw[0] = 16
    for at, row in enumerate(rows):
        raw[2 + 12 * at : 14 + 12 * at] = row.packed()
    raw[362], raw[363], raw[367], raw[368], raw[370] = 0x82, test_status, 0x5B, 3, 1
    raw[372], raw[373] = polling[:2]
    raw[375:377] = polling[2].to_bytes(2, "little")
    return with_sum(raw)


def thresholds(limits: Mapping[int, int] | Sequence[tuple[int, int]]) -> bytes:
    """Return a SMART READ THRESHOLDS sector."""
    raw = bytearray(512)
    raw[0] = 16
    pairs = limits.items() if isinstance(limits, Mapping) else limits
    for at, (number, limit) in enumerate(pairs):
        raw[2 + 12 * at], raw[3 + 12 * at] = number, limit
    return with_sum(raw)


@dataclass(frozen=True)
class Test:
    """One row of a self-test log of any family, in the numbers of ATA."""

    __test__ = False  # it is no test of ours

    number: int = 0x02
    status: int = 0x00
    hours: int = 0
    lba: int = 0


def self_test_log(tests: Sequence[Test], index: int | None = None) -> bytes:
    """Return SMART log 06h with its rows from the first on; the last is the newest."""
    raw = bytearray(512)
    raw[0] = 1
    for at, test in enumerate(tests):
        start = 2 + 24 * at
        raw[start : start + 9] = struct.pack(
            "<BBHBI", test.number, test.status, test.hours, 0, test.lba
        )
    raw[508] = len(tests) if index is None else index
    return with_sum(raw)


def extended_self_test_log(tests: Sequence[Test], index: int | None = None) -> bytes:
    """Return the first page of log 07h likewise."""
    raw = bytearray(512)
    raw[0] = 1
    raw[2:4] = (len(tests) if index is None else index).to_bytes(2, "little")
    for at, test in enumerate(tests):
        start = 4 + 26 * at
        raw[start : start + 5] = struct.pack("<BBHB", test.number, test.status, test.hours, 0)
        raw[start + 5 : start + 11] = test.lba.to_bytes(6, "little")
    return with_sum(raw)


def statistics(number: int, values: Mapping[int, int | str], *, normalised: bool = False) -> bytes:
    """Return a page of device statistics: values by offset, or `NOT_VALID`; the rest unknown."""
    raw = bytearray(512)
    raw[0], raw[2] = 1, number
    for at, value in values.items():
        flags = 1 << 63
        if isinstance(value, int):
            flags |= 1 << 62 | normalised << 61 | value
        raw[at : at + 8] = flags.to_bytes(8, "little")
    return bytes(raw)


def statistics_list(*numbers: int) -> bytes:
    """Return page 00h of device statistics."""
    raw = bytearray(512)
    raw[0], raw[8] = 1, len(numbers)
    raw[9 : 9 + len(numbers)] = bytes(numbers)
    return bytes(raw)


def sct_status(celsius: int, version: int = 3) -> bytes:
    """Return SCT status; -128 stands for "not valid"."""
    raw = bytearray(512)
    raw[0], raw[200], raw[201], raw[202] = version, celsius & 0xFF, 20, 45
    return bytes(raw)


HEALTHY = bytes.fromhex("7201001d0000000e090c000000000000004f00c20050")
FAILING = bytes.fromhex("7201001d0000000e090c00000000000000f4002c0050")
"""SMART RETURN STATUS in descriptor sense data; computed from SAT and the kernel's libata."""


def fixed_sense(
    lba_mid: int = 0x4F, lba_high: int = 0xC2, *, count: int = 0, status: int = 0x50
) -> bytes:
    """Return sense data in fixed format with the registers of a drive in it."""
    raw = bytearray(18)
    raw[0], raw[2], raw[7], raw[12], raw[13] = 0x70, 0x01, 10, 0x00, 0x1D
    raw[4], raw[6], raw[10], raw[11] = status, count, lba_mid, lba_high
    return bytes(raw)


def power_sense(count: int, status: int = 0x50) -> bytes:
    """Return the answer to CHECK POWER MODE in descriptor format."""
    raw = bytearray(22)
    raw[0], raw[1], raw[3], raw[7], raw[8], raw[9] = 0x72, 0x01, 0x1D, 14, 0x09, 12
    raw[13], raw[21] = count, status
    return bytes(raw)


# ── SCSI ──


def log_page(code: int, parameters: Mapping[int, bytes] | Sequence[tuple[int, bytes]]) -> bytes:
    """Return a LOG SENSE page."""
    pairs = parameters.items() if isinstance(parameters, Mapping) else parameters
    body = b"".join(
        number.to_bytes(2, "big") + bytes((0x03, len(value))) + value for number, value in pairs
    )
    return bytes((code, 0)) + len(body).to_bytes(2, "big") + body


def log_list(*codes: int) -> bytes:
    """Return LOG SENSE page 00h."""
    return bytes((0, 0)) + len(codes).to_bytes(2, "big") + bytes(codes)


def temperatures(celsius: int, limit: int = 60) -> bytes:
    """Return LOG SENSE page 0Dh: 16 bytes, page length 0Ch."""
    return log_page(0x0D, {0: bytes((0, celsius)), 1: bytes((0, limit))})


def scsi_self_tests(tests: Sequence[tuple[int, int, int, int, int]]) -> bytes:
    """Return page 10h: kind, result, hours, sector and sense key of each, the newest first."""
    rows = {}
    for at in range(20):
        value = bytearray(16)
        if at < len(tests):
            kind, result, hours, sector, key = tests[at]
            value[0] = kind << 5 | result
            value[2:12] = struct.pack(">HQ", hours, sector)
            value[12] = key
        rows[at + 1] = bytes(value)
    return log_page(0x10, rows)


def vpd(code: int, body: bytes) -> bytes:
    """Return a page of vital product data."""
    return bytes((0, code)) + len(body).to_bytes(2, "big") + body


def inquiry(vendor: str = "BRIDGE", model: str = "DOCK", revision: str = "0100") -> bytes:
    """Return standard INQUIRY data of a disk."""
    texts = vendor.ljust(8) + model.ljust(16) + revision.ljust(4)
    return bytes((0, 0, 6, 2, 31, 0, 0, 2)) + texts.encode("ascii")


def ata_information(sector: bytes) -> bytes:
    """Return VPD page 89h around an IDENTIFY DEVICE sector: 572 bytes."""
    raw = bytearray(572)
    raw[1], raw[2:4], raw[36], raw[56] = 0x89, (568).to_bytes(2, "big"), 0x34, 0xEC
    raw[60:] = sector
    return bytes(raw)


# ── NVMe ──


@dataclass(frozen=True)
class Health:
    """What an NVMe health log is made of."""

    warning: int = 0
    kelvin: int = 308
    spare: int = 100
    spare_least: int = 10
    used: int = 3
    cycles: int = 41
    hours: int = 1234
    unsafe: int = 7
    errors: int = 0
    minutes_hot: int = 0

    def page(self) -> bytes:
        """Return the page."""
        raw = bytearray(512)
        raw[0], raw[1:3] = self.warning, self.kelvin.to_bytes(2, "little")
        raw[3:6] = bytes((self.spare, self.spare_least, self.used))
        wide = ((112, self.cycles), (128, self.hours), (144, self.unsafe), (160, self.errors))
        for at, value in wide:
            raw[at : at + 16] = value.to_bytes(16, "little")
        raw[192:196] = self.minutes_hot.to_bytes(4, "little")
        return bytes(raw)


def nvme_identify(warns_at_kelvin: int = 343) -> bytes:
    """Return Identify Controller of an invented drive."""
    raw = bytearray(4096)
    raw[4:24], raw[24:64], raw[64:72] = b"N-1".ljust(20), b"TEST FLASH".ljust(40), b"1.0".ljust(8)
    raw[266:268] = warns_at_kelvin.to_bytes(2, "little")
    return bytes(raw)


def nvme_self_tests(
    tests: Sequence[tuple[int, int, int, int]], *, running: tuple[int, int] = (0, 0)
) -> bytes:
    """Return log 06h: kind, result, hours and sector (0: none) of each, the newest first."""
    raw = bytearray(564)
    raw[0], raw[1] = running
    for at in range(20):
        start = 4 + 28 * at
        raw[start] = 0x0F
        if at < len(tests):
            kind, result, hours, sector = tests[at]
            raw[start], raw[start + 2] = kind << 4 | result, 0b10 if sector else 0
            raw[start + 4 : start + 12] = hours.to_bytes(8, "little")
            raw[start + 16 : start + 24] = sector.to_bytes(8, "little")
    return bytes(raw)


# ── whole answers ──

WORKED_ROWS = (
    Row(1, 0, flags=0x000B),
    Row(5, 8, flags=0x0033),
    Row(9, 17_520, flags=0x0012, value=98, worst=98),
    Row(194, bytes((36, 0, 18, 0, 52, 0)), flags=0x0002, value=166, worst=166),
    Row(197, 2, flags=0x0022),
    Row(198, 1, flags=0x0008),
    Row(199, 0, flags=0x000A, value=200, worst=200),
)
"""Those of the worked sector."""


def worked_smart_data() -> bytes:
    """Return the worked SMART READ DATA sector: a read failed in its self-test, 50 % left."""
    raw = bytearray(smart_data(WORKED_ROWS, test_status=0x75, polling=(2, 0xFF, 1883)))
    raw[364] = 113
    return with_sum(raw)


def ata_drive(**more: bytes) -> RawPages:
    """Return the answers of a disk that tells everything; `more` are pages by member name."""
    pages = {
        PageName.ATA_IDENTIFY: Identify().sector(),
        PageName.ATA_SMART_DATA: smart_data(WORKED_ROWS),
        PageName.ATA_THRESHOLDS: thresholds({5: 10, 10: 97}),
        PageName.ATA_STATUS: HEALTHY,
        PageName.ATA_SELF_TEST_LOG: self_test_log([Test(hours=17_000)]),
        PageName.ATA_EXTENDED_SELF_TEST_LOG: extended_self_test_log([Test(hours=17_000)]),
        PageName.ATA_STATISTICS_00: statistics_list(0, 1, 3, 4, 5),
        PageName.ATA_STATISTICS_01: statistics(1, {8: 120, 16: 17_521}),
        PageName.ATA_STATISTICS_03: statistics(
            3, {16: 16_000, 24: 900, 32: 64, 40: 5, 48: 0, 56: 16}
        ),
        PageName.ATA_STATISTICS_04: statistics(4, {8: 3, 16: 11}),
        PageName.ATA_STATISTICS_05: statistics(5, {8: 35, 32: 58, 40: 12, 80: 0, 88: 60, 96: 0}),
        PageName.ATA_SCT_STATUS: sct_status(37),
    }
    pages |= {PageName[name]: page for name, page in more.items()}
    return RawPages(Route.ATA, pages)


def scsi_drive(**more: bytes) -> RawPages:
    """Return the answers of a SCSI disk likewise."""
    pages = {
        PageName.SCSI_INQUIRY: inquiry(),
        PageName.SCSI_VPD_80: vpd(0x80, b"  S-0001"),
        PageName.SCSI_VPD_83: vpd(0x83, bytes.fromhex("010300085000c500a1b2c3d4")),
        PageName.SCSI_VPD_B1: vpd(0xB1, (7200).to_bytes(2, "big") + bytes(58)),
        PageName.SCSI_LOG_00: log_list(0x00, 0x02, 0x03, 0x05, 0x0D, 0x0E, 0x10, 0x2F),
        PageName.SCSI_LOG_02: log_page(0x02, {6: bytes((0, 0, 0, 1))}),
        PageName.SCSI_LOG_03: log_page(0x03, {1: bytes((0, 0, 0, 9)), 6: bytes((0, 0, 0, 2))}),
        PageName.SCSI_LOG_05: log_page(0x05, {6: bytes(4)}),
        PageName.SCSI_LOG_0D: temperatures(31),
        PageName.SCSI_LOG_0E: log_page(0x0E, {4: bytes((0, 0, 0, 77)), 6: bytes((0, 0, 2, 0))}),
        PageName.SCSI_LOG_10: scsi_self_tests([(0b010, 0x0, 500, (1 << 64) - 1, 0)]),
        PageName.SCSI_LOG_2F: log_page(0x2F, {0: bytes((0, 0, 31, 60))}),
    }
    pages |= {PageName[name]: page for name, page in more.items()}
    return RawPages(Route.SCSI, pages)


def nvme_drive(**more: bytes) -> RawPages:
    """Return the answers of an NVMe drive likewise."""
    pages = {
        PageName.NVME_IDENTIFY: nvme_identify(),
        PageName.NVME_HEALTH: Health().page(),
        PageName.NVME_SELF_TEST_LOG: nvme_self_tests([(2, 0, 1200, 0)]),
    }
    pages |= {PageName[name]: page for name, page in more.items()}
    return RawPages(Route.NVME, pages)
