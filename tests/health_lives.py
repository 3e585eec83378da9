"""Builders of health readings, and of the life of a drive from reading to reading. Invented."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from refreshd.health import Judgement, judge
from refreshd.health_cards import (
    EvidenceLine,
    HealthEntry,
    HealthReading,
    Measure,
    Moment,
    OwnWord,
    Part,
    Route,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Verdict,
)
from refreshd.quantities import DriveNumber, PassId

K07 = DriveNumber("K07")
MARCH_2027 = datetime(2027, 3, 3, 10, tzinfo=UTC)
YEAR = timedelta(days=366)

DISK: Mapping[Measure, int] = {
    Measure.ROTATIONS_PER_MINUTE: 7200,
    Measure.POWER_ON_HOURS: 100,
    Measure.POWER_CYCLES: 5,
    Measure.SPINDLE_STARTS: 5,
    Measure.MOVED_SECTORS: 0,
    Measure.WAITING_SECTORS: 0,
    Measure.BAD_SECTORS: 0,
    Measure.REPORTED_ERRORS: 0,
    Measure.START_RETRIES: 0,
    Measure.PATH_ERRORS: 0,
    Measure.CELSIUS: 34,
}
FLASH: Mapping[Measure, int] = {
    Measure.POWER_ON_HOURS: 100,
    Measure.POWER_CYCLES: 5,
    Measure.ENDURANCE_USED: 3,
    Measure.SPARE_LEFT: 100,
    Measure.SPARE_LEAST: 10,
    Measure.MEDIA_ERRORS: 0,
    Measure.CELSIUS: 34,
}
SCSI_DISK: Mapping[Measure, int] = {
    Measure.ROTATIONS_PER_MINUTE: 7200,
    Measure.UNCORRECTED_READS: 0,
    Measure.CELSIUS: 34,
}


def disk(measures: Mapping[Measure, int] | None = None) -> HealthReading:
    """Return the reading of a hard disk that is well but for `measures`."""
    return HealthReading(Route.ATA, OwnWord.PASSING, {**DISK, **(measures or {})})


def flash(measures: Mapping[Measure, int] | None = None) -> HealthReading:
    """Return the reading of an SSD that is well but for `measures`."""
    return HealthReading(Route.NVME, OwnWord.PASSING, {**FLASH, **(measures or {})})


def bridged(measures: Mapping[Measure, int] | None = None) -> HealthReading:
    """Return what a dock says that answers in the language of SCSI by itself."""
    return HealthReading(Route.SCSI, OwnWord.NOT_SAID, {**SCSI_DISK, **(measures or {})})


def silent(why: str = "the dock passes no such command on") -> HealthReading:
    """Return the reading of a drive that says nothing."""
    return HealthReading(Route.SILENT, OwnWord.NOT_SAID, silence=why)


def without(reading: HealthReading, *measures: Measure) -> HealthReading:
    """Return a reading in which some measures are not reported."""
    left = {name: value for name, value in reading.measures.items() if name not in measures}
    return replace(reading, measures=left)


def failed_test(
    part: Part | None = None,
    sector: int | None = None,
    kind: SelfTestKind = SelfTestKind.EXTENDED,
    hours: int | None = 100,
) -> SelfTest:
    """Return a self-test that failed."""
    return SelfTest(kind, SelfTestOutcome.FAILED, hours, sector, part)


def passed_test(kind: SelfTestKind = SelfTestKind.EXTENDED, hours: int = 120) -> SelfTest:
    """Return a self-test that was passed."""
    return SelfTest(kind, SelfTestOutcome.PASSED, hours)


@dataclass
class Life:
    """A drive that is read now and then; each reading is judged by those before it."""

    at: datetime = MARCH_2027
    series: list[HealthEntry] = field(default_factory=list)
    looked_at: datetime | None = None  # when somebody last lifted a hold

    def read(
        self,
        reading: HealthReading,
        after: timedelta = timedelta(0),
        moment: Moment = Moment.BETWEEN,
        pass_id: str | None = None,
    ) -> Judgement:
        """Let time pass, then read and judge."""
        self.at += after
        judgement = judge(self.series, reading, self.at, moment, self.looked_at)
        self.series.append(
            HealthEntry(
                K07,
                self.at,
                moment,
                None if pass_id is None else PassId(pass_id),
                reading,
                judgement.verdict,
                judgement.evidence,
                judgement.changes,
            )
        )
        return judgement

    def line(self, part: Part | None) -> EvidenceLine:
        """Return the worst line of the last evidence about one part."""
        return next(line for line in self.series[-1].evidence if line.part is part)

    @property
    def verdict(self) -> Verdict:
        """The verdict of the last reading."""
        return self.series[-1].verdict


def judged(*readings: HealthReading, every: timedelta = YEAR) -> Judgement:
    """Return what is made of the last of some readings, the first in March 2027."""
    life = Life()
    return [life.read(one, every if index else timedelta(0)) for index, one in enumerate(readings)][
        -1
    ]


def sentences(judgement: Judgement) -> list[str]:
    """Return the sentences of the evidence."""
    return [line.sentence for line in judgement.evidence]


def line_about(judgement: Judgement, words: str) -> EvidenceLine:
    """Return the one line of evidence with some words in it."""
    (found,) = [line for line in judgement.evidence if words in line.sentence]
    return found
