"""Builders of health readings and provings. The drives are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from refreshd.cards import Carrier, Evidence
from refreshd.events import (
    DriveProved,
    HealthRead,
    PassWatched,
    ProvingBegun,
    ProvingCheckpoint,
    ProvingGivenUp,
)
from refreshd.health_cards import (
    EvidenceLine,
    HealthReading,
    HeatPause,
    Measure,
    Moment,
    OwnWord,
    PageName,
    Part,
    Route,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Verdict,
    WatchSample,
)
from refreshd.proving_cards import (
    Certificate,
    ProvingPlan,
    ProvingStep,
    RatePlace,
    StepResult,
)
from refreshd.quantities import DriveNumber, Outcome, PassId, ProvingId
from tests.builders import K07, STAY

SPEAKING = HealthReading(
    route=Route.ATA,
    says=OwnWord.PASSING,
    measures={Measure.POWER_ON_HOURS: 4_312, Measure.MOVED_SECTORS: 12, Measure.CELSIUS: 31},
    unreported={"ata device statistics 05h": "its checksum is wrong"},
    self_tests=(SelfTest(SelfTestKind.SHORT, SelfTestOutcome.PASSED, at_power_on_hours=4_300),),
    warnings=("temperature is beyond its limits",),
)
SILENT = HealthReading(
    route=Route.SILENT, says=OwnWord.NOT_SAID, silence="The bridge passes no command through"
)
PAGES = {
    PageName.ATA_SMART_DATA: bytes(range(256)) * 2,
    PageName.ATA_STATUS: b"\x72\x01\x00\x1d\xff\xfe",
}

NEW_DRIVE = Evidence(
    Carrier.BLOCK,
    4 * 10**12,
    512,
    4096,
    wwn="naa.5000c500deadbeef",
    model="Meridian 4T",
    serial="ZX-0042",
    is_rotational=True,
    has_own_names=True,
)
PLAN = ProvingPlan(
    is_writing=True,
    is_erasing=False,
    self_tests=(SelfTestKind.SHORT, SelfTestKind.EXTENDED),
    seed="0123456789abcdef0123456789abcdef",
    chunk_bytes=1 << 22,
)
BEGUN_AT = datetime(2026, 3, 1, 8, 1, tzinfo=UTC)
"""When the first entry of a `Scribe` is dated."""


def evidence_of(verdict: Verdict) -> tuple[EvidenceLine, ...]:
    """Return what speaks for a verdict."""
    if verdict.severity <= Verdict.FIT.severity:
        return ()
    return (EvidenceLine(Part.COATING, verdict, "12 sectors moved to spares, 4 waiting."),)


def health_read(
    verdict: Verdict = Verdict.FIT,
    drive: DriveNumber = K07,
    reading: HealthReading = SPEAKING,
    moment: Moment = Moment.BETWEEN,
    pass_id: PassId | None = None,
) -> HealthRead:
    """Read the health of a drive."""
    return HealthRead(
        drive=drive,
        outcome=verdict.outcome,
        moment=moment,
        pass_id=pass_id,
        reading=reading,
        verdict=verdict,
        evidence=evidence_of(verdict),
        changes=("12 more sectors moved to spares since 2026-03-01.",),
        pages=PAGES,
    )


def fell_silent(verdict: Verdict = Verdict.NOT_KNOWN, drive: DriveNumber = K07) -> HealthRead:
    """Read the health of a drive that says nothing."""
    return health_read(verdict, drive, SILENT)


def samples(count: int, first: int = 0) -> tuple[WatchSample, ...]:
    """Return looks at a pass, one in fifteen seconds, warming up."""
    return tuple(
        WatchSample(15 * at, at * 10**9, 180_000_000, 30 + at % 9)
        for at in range(first, first + count)
    )


def watched(drive: DriveNumber = K07, number: int = 1, count: int = 3) -> PassWatched:
    """Watch a run of a pass that rested once."""
    return PassWatched(
        drive=drive,
        pass_id=PassId(f"{drive}/{number}"),
        doing="refresh",
        samples=samples(count),
        heat_pauses=(HeatPause(60, 360, 51),),
    )


def proving_begun(number: int = 1, evidence: Evidence = NEW_DRIVE) -> ProvingBegun:
    """Begin the proving of a drive."""
    return ProvingBegun(
        proving_id=ProvingId(f"P{number}"), evidence=evidence, presence=STAY, plan=PLAN
    )


def proving_checkpoint(
    number: int = 1,
    step: ProvingStep = ProvingStep.WRITE,
    next_byte: int = 0,
    results: tuple[StepResult, ...] = (),
    first: int = 0,
) -> ProvingCheckpoint:
    """Let a proving come so far."""
    return ProvingCheckpoint(
        proving_id=ProvingId(f"P{number}"),
        presence=STAY,
        step=step,
        next_byte=next_byte,
        results=results,
        samples=samples(2, first),
        heat_pauses=(HeatPause(60, 360, 51),),
        rates=(RatePlace(first * 10**9, 10**9, 181_000_000),),
    )


def step_result(step: ProvingStep, outcome: Outcome = Outcome.SUCCESS) -> StepResult:
    """End a step."""
    return StepResult(step, outcome, (f"The step {step} ended.",))


def certified(
    number: int = 1,
    outcome: Outcome = Outcome.SUCCESS,
    results: tuple[StepResult, ...] = (),
    evidence: Evidence = NEW_DRIVE,
    begun_at: datetime = BEGUN_AT,
) -> DriveProved:
    """End a proving with a certificate."""
    certificate = Certificate(
        id=ProvingId(f"P{number}"),
        evidence=evidence,
        plan=PLAN,
        begun_at=begun_at,
        ended_at=datetime(2026, 3, 4, 8, 0, tzinfo=UTC),
        outcome=outcome,
        results=results,
        verdict=Verdict.FIT,
        health_before=SPEAKING,
        health_after=replace(SPEAKING, warnings=()),
        rates=(RatePlace(0, 10**9, 181_000_000), RatePlace(10**9, 10**9, 40_000_000, is_slow=True)),
        samples=samples(4),
        heat_pauses=(HeatPause(60, 360, 51),),
    )
    return DriveProved(
        proving_id=certificate.id, outcome=outcome, certificate=certificate, pages_after=PAGES
    )


def proving_given_up(number: int = 1) -> ProvingGivenUp:
    """Give up a proving."""
    return ProvingGivenUp(proving_id=ProvingId(f"P{number}"), why="another one was begun")
