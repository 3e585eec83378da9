"""What is known of a drive's health, as frozen values: one model for ATA, SCSI and NVMe.

No score and no percentage of health: counters in one language for all families, what the drive
says of itself, evidence sorted by what fails in a drive, and a verdict in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import NamedTuple

from refreshd.quantities import DriveNumber, Outcome, PassId


class Route(StrEnum):
    """The language in which a drive answered questions about itself."""

    ATA = "ATA"
    SCSI = "SCSI"
    NVME = "NVMe"
    SILENT = "silent"  # it, or the bridge in front of it, answers none: that is not healthy


class PageName(StrEnum):
    """One page of bytes that a drive gave about itself; the names are those of the standards.

    ATA status is the whole sense data in which SMART RETURN STATUS came back. The number of
    a device-statistics or SCSI log page is in its name, in hex.
    """

    ATA_IDENTIFY = "ata identify device"
    ATA_SMART_DATA = "ata smart data"
    ATA_THRESHOLDS = "ata smart thresholds"
    ATA_STATUS = "ata smart return status"
    ATA_ERROR_LOG = "ata summary error log"
    ATA_SELF_TEST_LOG = "ata self-test log"
    ATA_EXTENDED_SELF_TEST_LOG = "ata extended self-test log"
    ATA_STATISTICS_00 = "ata device statistics 00h"
    ATA_STATISTICS_01 = "ata device statistics 01h"
    ATA_STATISTICS_03 = "ata device statistics 03h"
    ATA_STATISTICS_04 = "ata device statistics 04h"
    ATA_STATISTICS_05 = "ata device statistics 05h"
    ATA_STATISTICS_07 = "ata device statistics 07h"
    ATA_SCT_STATUS = "ata sct status"
    SCSI_INQUIRY = "scsi inquiry"
    SCSI_VPD_80 = "scsi vpd 80h"
    SCSI_VPD_83 = "scsi vpd 83h"
    SCSI_VPD_89 = "scsi vpd 89h"
    SCSI_VPD_B1 = "scsi vpd B1h"
    SCSI_LOG_00 = "scsi log 00h"
    SCSI_LOG_02 = "scsi log 02h"
    SCSI_LOG_03 = "scsi log 03h"
    SCSI_LOG_05 = "scsi log 05h"
    SCSI_LOG_0D = "scsi log 0Dh"
    SCSI_LOG_0E = "scsi log 0Eh"
    SCSI_LOG_10 = "scsi log 10h"
    SCSI_LOG_2F = "scsi log 2Fh"
    NVME_IDENTIFY = "nvme identify controller"
    NVME_HEALTH = "nvme health log"
    NVME_SELF_TEST_LOG = "nvme self-test log"


@dataclass(frozen=True, slots=True)
class RawPages:
    """What a drive answered, undecoded. `refusals` says why a page is missing, in words."""

    route: Route
    pages: Mapping[PageName, bytes] = field(default_factory=dict)
    refusals: Mapping[PageName, str] = field(default_factory=dict)
    silence: str = ""  # why nothing at all was answered, where the route is SILENT
    hwmon_celsius: int | None = None  # what the kernel itself says of its temperature


class Measure(StrEnum):
    """What a drive counts or measures; counts, unless the name has a unit."""

    POWER_ON_HOURS = "power-on hours"
    POWER_CYCLES = "power cycles"
    SPINDLE_STARTS = "spindle starts"
    HEAD_LOADS = "head loads"
    HEAD_FLYING_HOURS = "head flying hours"
    MOVED_SECTORS = "sectors moved to spares"
    WAITING_SECTORS = "sectors waiting to be moved"
    BAD_SECTORS = "sectors found unreadable by the drive itself"
    REPORTED_ERRORS = "unreadable sectors reported to a host"
    READ_RECOVERIES = "read recovery attempts"
    START_RETRIES = "spin-up retries"
    START_FAILURES = "mechanical start failures"
    PATH_ERRORS = "transfer errors on the cable"
    RESETS = "resets in mid-command"
    UNCORRECTED_READS = "uncorrected read errors"
    UNCORRECTED_WRITES = "uncorrected write errors"
    UNCORRECTED_VERIFIES = "uncorrected verify errors"
    CORRECTED_BY_REREADING = "read errors corrected with delay"
    CELSIUS = "temperature (°C)"
    CELSIUS_HIGHEST = "highest temperature ever (°C)"
    CELSIUS_LOWEST = "lowest temperature ever (°C)"
    CELSIUS_LIMIT = "highest temperature allowed by the drive (°C)"
    MINUTES_TOO_HOT = "minutes above the drive's limit"
    MINUTES_TOO_COLD = "minutes below the drive's limit"
    ENDURANCE_USED = "rated endurance used (%)"
    SPARE_LEFT = "spare blocks left (%)"
    SPARE_LEAST = "least spare blocks (%)"
    MEDIA_ERRORS = "media and data integrity errors"
    UNSAFE_SHUTDOWNS = "power cuts without warning"
    ROTATIONS_PER_MINUTE = "nominal rotation (1/min)"


class OwnWord(StrEnum):
    """What a drive says of itself when asked whether it is about to fail."""

    PASSING = "passing"
    FAILING = "failing"
    NOT_SAID = "not said"


class OwnWarning(StrEnum):
    """What a drive warns of by itself, where a standard gives it a bit of its own.

    `HealthReading.warnings` holds these words; a warning of another kind is said in others.
    Source: NVM Express base specification, critical warning of the health log, bits 0 to 5
    (from memory).
    """

    SPARE_LOW = "fewer spare blocks are left than it needs"
    TEMPERATURE = "it is hotter or colder than it may be"
    UNRELIABLE = "it cannot be relied on any more: too many errors of its medium or inside it"
    READ_ONLY = "its medium takes no more writes"
    BACKUP_FAILED = "what should save its memory at a power cut has failed"
    MEMORY_REGION = "its persistent memory region is read-only or cannot be relied on"


class SelfTestKind(StrEnum):
    """A test that the drive runs by itself."""

    SHORT = "short"
    EXTENDED = "extended"
    OTHER = "other"


class SelfTestOutcome(StrEnum):
    """How a self-test ended, or that it has not."""

    PASSED = "passed"
    FAILED = "failed"
    STOPPED = "stopped"  # by a host, a reset or a power cut: says nothing of the drive
    UNDER_WAY = "under way"
    NOT_KNOWN = "not known"


class Part(StrEnum):
    """What can fail in a drive."""

    COATING = "magnetic coating"
    HEADS = "head contact"
    STARTING = "sticking heads at spin-up"
    MOTOR = "motor or actuator"
    ELECTRONICS = "electronics and cable"
    CELLS = "charge and wear of flash cells"


@dataclass(frozen=True, slots=True)
class SelfTest:
    """One self-test. `first_bad_sector` is a logical sector; `percent_left` while under way."""

    kind: SelfTestKind
    outcome: SelfTestOutcome
    at_power_on_hours: int | None = None
    first_bad_sector: int | None = None
    failed_part: Part | None = None
    percent_left: int | None = None


NUMBER_MAX = 2**53 - 1
"""Largest number of a reading. Source: RFC 8785 section 3.2.2.3, the JSON of the journal."""


@dataclass(frozen=True, slots=True)
class HealthReading:
    """What one reading of a drive's pages says, decoded strictly.

    `unreported` says for a measure or page that one would expect why there is none: a broken
    checksum, a validity bit that is off, a page cut short. `warnings` are what the drive itself
    warns of, in the words of `OwnWarning` where it has them; `self_tests` has the newest first.
    `sources` says which page a measure is from: the same counter on two pages may count in other
    units, and one dock may let through what another does not. The kernel's own has none.
    """

    route: Route
    says: OwnWord
    measures: Mapping[Measure, int] = field(default_factory=dict)
    unreported: Mapping[str, str] = field(default_factory=dict)
    self_tests: tuple[SelfTest, ...] = ()
    warnings: tuple[str, ...] = ()
    silence: str = ""
    sources: Mapping[Measure, PageName] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse a number that the journal could not hold: no drive can have counted so far."""
        for measure, number in self.measures.items():
            if abs(number) > NUMBER_MAX:
                raise ValueError(f"{measure}: {number} is a number out of a broken page")


class Verdict(StrEnum):
    """What is to be done with a drive, as far as its health says."""

    NOT_KNOWN = "not known"  # nothing was read yet, or it is silent
    FIT = "fit for duty"
    WATCH = "watch"
    COPY_OFF = "copy off and replace"
    DO_NOT_WRITE = "do not write"  # read it, copy it away, replace it

    @property
    def severity(self) -> int:
        """Return 0 for the mildest, in order."""
        return list(Verdict).index(self)

    @property
    def outcome(self) -> Outcome:
        """How the journal says that a reading with this verdict ended."""
        if self.severity <= Verdict.FIT.severity:
            return Outcome.SUCCESS
        return Outcome.WARNING if self is Verdict.WATCH else Outcome.FAIL


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One thing that the readings show: a sentence, what it is about, and what follows from it."""

    part: Part | None  # None: of no part in particular, such as heat or what the drive says
    verdict: Verdict
    sentence: str

    @property
    def is_praise(self) -> bool:
        """Say whether it only says that there is nothing to say, which the verdict says already."""
        return self.part is None and self.verdict is Verdict.FIT


class Moment(StrEnum):
    """When a health reading was taken."""

    BEFORE = "before the pass"
    DURING = "during the pass"
    AFTER = "after the pass"
    BETWEEN = "between passes"


@dataclass(frozen=True, slots=True)
class HealthEntry:
    """One reading in a drive's series, with what was made of it. `changes` since the last one."""

    drive: DriveNumber
    at: datetime
    moment: Moment
    pass_id: PassId | None
    reading: HealthReading
    verdict: Verdict
    evidence: tuple[EvidenceLine, ...] = ()
    changes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HealthState:
    """Where a drive's health stands, on its card.

    `read_on`: the day of the last reading of any kind; `is_silent`: that one said nothing.
    `judged_on`: the day of the last reading that said something; None: there was none.
    """

    verdict: Verdict
    read_on: date
    evidence: tuple[EvidenceLine, ...] = ()
    is_silent: bool = False
    judged_on: date | None = None

    @property
    def is_to_replace(self) -> bool:
        """Say whether the drive is to be read and copied off, and not rewritten any more."""
        return self.verdict.severity >= Verdict.COPY_OFF.severity

    @property
    def reasons(self) -> tuple[str, ...]:
        """The sentences that led to the verdict, those that weigh most first."""
        found = [one for one in self.evidence if one.verdict.severity > Verdict.FIT.severity]
        found.sort(key=lambda one: -one.verdict.severity)
        return tuple(one.sentence for one in found)


class Vital(NamedTuple):
    """What is asked of a drive while it works: in whole °C, and whether it says it fails."""

    celsius: int | None
    says: OwnWord = OwnWord.NOT_SAID


@dataclass(frozen=True, slots=True)
class HeatLimits:
    """When a pass rests for heat: whole °C, and seconds from one question to the next."""

    pause_celsius: int = 50
    go_on_celsius: int = 45
    give_up_celsius: int = 55
    every_s: int = 15


class WatchSample(NamedTuple):
    """One look at a pass under way."""

    at_s: int  # since the pass was begun or taken up
    done_bytes: int  # of the drive
    rate_bytes_per_s: int  # over the time since the sample before
    celsius: int | None


class HeatPause(NamedTuple):
    """A pass that rested because the drive was too hot. Seconds as in `WatchSample`."""

    begun_s: int
    ended_s: int
    highest_celsius: int


@dataclass(frozen=True, slots=True)
class PassWatch:
    """Temperature and rate across one run of a pass."""

    drive: DriveNumber
    pass_id: PassId
    at: datetime  # when it was written down, at the end of the run
    doing: str
    samples: tuple[WatchSample, ...]
    heat_pauses: tuple[HeatPause, ...] = ()
