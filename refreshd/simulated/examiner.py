"""
A drive that can be asked how it is, and that warms and cools as drives do.

The pages are real ones: an ATA drive's IDENTIFY DEVICE and SMART READ DATA sectors with their
checksums, and the sense data of SMART RETURN STATUS, made from the counts that a test sets.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import exp

from refreshd.errors import DriveGoneError
from refreshd.health_cards import (
    Measure,
    OwnWord,
    PageName,
    RawPages,
    Route,
    SelfTest,
    SelfTestKind,
    Vital,
)
from refreshd.pages.attributes import SETTLED, TEMPERATURES
from refreshd.ports import Clock
from refreshd.simulated.drive import SimulatedDrive

SECTOR_BYTES = 512
HEALTHY: Mapping[Measure, int] = {
    Measure.POWER_ON_HOURS: 1200,
    Measure.POWER_CYCLES: 40,
    Measure.SPINDLE_STARTS: 40,
    Measure.START_RETRIES: 0,
    Measure.MOVED_SECTORS: 0,
    Measure.WAITING_SECTORS: 0,
    Measure.BAD_SECTORS: 0,
    Measure.PATH_ERRORS: 0,
}


@dataclass
class WarmDrive(SimulatedDrive):
    """A simulated drive whose transfers take their time, by which a clock moves on."""

    clock: Clock | None = None
    rate_bytes_per_s: int = 150_000_000
    busy_s: float = 0.0  # how long it has worked so far

    def read(self, start: int, into: memoryview) -> None:
        """Read, as long as it takes."""
        super().read(start, into)
        self._take_time(len(into))

    def write(self, start: int, data: memoryview) -> None:
        """Write, as long as it takes."""
        super().write(start, data)
        self._take_time(len(data))

    def _take_time(self, length: int) -> None:
        if self.clock is not None:
            passed_s = length / self.rate_bytes_per_s
            self.busy_s += passed_s
            self.clock.sleep(passed_s)


@dataclass
class Warmth:
    """
    How warm a drive is: by Newton's law of cooling it nears what fits its load, ever more slowly.

    Args:
        clock: Whose seconds count.
        busy_s: Says how long the drive has worked so far.
        room: °C around it.
        idle_rise: °C above the room while its platters only turn.
        work_rise: °C above that while it works without a break.
        slow_s: In this time it comes 63 % of the way.

    The figures of a 3.5-inch disk in the air of a fan: 25 °C in the room, 33 °C idle, 45 °C at
    work, a quarter of an hour. Without the fan the rises are about two and a half times that.
    Common practice, no source.
    """

    clock: Clock
    busy_s: Callable[[], float]
    room: float = 25.0
    idle_rise: float = 8.0
    work_rise: float = 12.0
    slow_s: float = 900.0

    def __post_init__(self) -> None:
        self.at_s = self.clock.elapsed_s()
        self.worked_s = self.busy_s()
        self.now = self.room + self.idle_rise

    def lose_fan(self) -> None:
        """Let the air stand still from now on."""
        self.celsius()
        self.idle_rise, self.work_rise = 2.5 * self.idle_rise, 2.5 * self.work_rise

    def celsius(self) -> float:
        """Return the temperature now, after what the drive did since it was asked last."""
        passed_s = self.clock.elapsed_s() - self.at_s
        if passed_s > 0:
            load = min(1.0, (self.busy_s() - self.worked_s) / passed_s)
            nears = self.room + self.idle_rise + load * self.work_rise
            self.now = nears + (self.now - nears) * exp(-passed_s / self.slow_s)
            self.at_s, self.worked_s = self.clock.elapsed_s(), self.busy_s()
        return self.now


@dataclass
class SimulatedExaminer:
    """
    `ports.Examiner` of a simulated ATA drive.

    Args:
        celsius: Says how warm it is; None: it has no sensor.
        measures: What it counts; change them as you like.
        is_failing: What it answers when asked whether it is about to fail.
        silence: Why it answers nothing, where it does not.
        fails_at_question: It begins to fail with this question of either kind, counted from 1.

    """

    celsius: Callable[[], float | None] = lambda: 36.0
    measures: dict[Measure, int] = field(default_factory=lambda: dict(HEALTHY))
    is_failing: bool = False
    silence: str = ""
    is_gone: bool = False
    fails_at_question: int | None = None
    heard_failing: Callable[[], None] = lambda: None
    questions: int = 0
    vitals: int = 0

    def read(self) -> RawPages:
        """Answer with all pages."""
        self._asked()
        if self.silence:
            return RawPages(Route.SILENT, silence=self.silence)
        return RawPages(
            Route.ATA,
            {
                PageName.ATA_IDENTIFY: identify_sector(),
                PageName.ATA_SMART_DATA: smart_sector(self.measures, self._whole_celsius()),
                PageName.ATA_STATUS: status_sense(is_failing=self.is_failing),
            },
        )

    def vital(self) -> Vital:
        """Answer how warm it is, and whether it fails."""
        self._asked()
        self.vitals += 1
        if self.silence:
            return Vital(None)
        says = OwnWord.FAILING if self.is_failing else OwnWord.PASSING
        return Vital(self._whole_celsius(), says)

    def is_asleep(self) -> bool | None:
        """Stand still never."""
        return None if self.silence else False

    def start_self_test(self, kind: SelfTestKind) -> bool:  # noqa: ARG002 - the port's form.
        """Know no self-test."""
        return False

    def self_test(self) -> SelfTest | None:
        """Know no self-test."""
        return None

    def self_test_minutes(self, kind: SelfTestKind) -> int | None:  # noqa: ARG002 - likewise.
        """Know no self-test."""
        return None

    def _asked(self) -> None:
        if self.is_gone:
            raise DriveGoneError("the simulated drive is gone")
        self.questions += 1
        if self.fails_at_question is not None and self.questions >= self.fails_at_question:
            self.is_failing = True
        if self.is_failing and not self.silence:
            self.heard_failing()

    def _whole_celsius(self) -> int | None:
        celsius = self.celsius()
        return None if celsius is None else round(celsius)


# Pages, as check values lay them out: ACS, see `refreshd.pages.ata_identify` and `.ata_smart`


def identify_sector(serial: str = "RD-TEST12345678") -> bytes:
    """Return IDENTIFY DEVICE of a disk of 7200/min that has SMART, switched on."""
    words = [0] * 256
    words[0] = 0x0040
    words[10:20] = _text(serial, 10)
    words[23:27] = _text("01.01A01", 4)
    words[27:47] = _text("REFRESHD TEST MODEL 16TB", 20)
    words[82:88] = (0x0021, 0x4400, 0x4003, 0x0021, 0x0400, 0x4003)
    words[100:104] = struct.unpack("<4H", (31_251_759_104).to_bytes(8, "little"))
    words[106] = 0x6003
    words[108:112] = (0x5000, 0xC500, 0xA1B2, 0xC3D4)
    words[206] = 0x003D
    words[217] = 7200
    words[255] = 0x00A5
    return _summed(struct.pack("<256H", *words))


def smart_sector(measures: Mapping[Measure, int], celsius: int | None) -> bytes:
    """Return SMART READ DATA with these counts, those of `pages.attributes.SETTLED` only."""
    rows = {one.number: measures[one.measure] for one in SETTLED if one.measure in measures}
    if celsius is not None:
        rows[TEMPERATURES[0]] = celsius
    sector = bytearray(SECTOR_BYTES)
    sector[0] = 16
    for place, (number, count) in enumerate(sorted(rows.items())):
        at = 2 + 12 * place
        row = bytes((number, 0x02, 0x00, 100, 100)) + count.to_bytes(6, "little") + b"\0"
        sector[at : at + 12] = row
    sector[362], sector[367], sector[368], sector[370] = 0x82, 0x5B, 3, 1
    sector[372], sector[373] = 2, 250
    return _summed(bytes(sector))


def status_sense(*, is_failing: bool) -> bytes:
    """Return the sense data in which SMART RETURN STATUS comes back, with its registers."""
    mid, high = (0xF4, 0x2C) if is_failing else (0x4F, 0xC2)
    registers = bytes((0x09, 0x0C, 0, 0, 0, 0, 0, 0, 0, mid, 0, high, 0, 0x50))
    return bytes((0x72, 0x01, 0x00, 0x1D, 0, 0, 0, len(registers))) + registers


def _text(text: str, words: int) -> tuple[int, ...]:
    """Return device text: the first character of each word is its high byte."""
    return struct.unpack(f">{words}H", text.ljust(2 * words).encode("ascii"))


def _summed(sector: bytes) -> bytes:
    """Set the last byte so that all of them sum up to 0 modulo 256."""
    return sector[:-1] + bytes((-sum(sector[:-1]) % 256,))
