"""The acceptance test of a new drive, as frozen values: its plan, its state, its certificate."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from refreshd.cards import Evidence, Presence
from refreshd.health_cards import HealthReading, HeatPause, SelfTestKind, Verdict, WatchSample
from refreshd.quantities import Outcome, ProvingId

RESULT_WORDS = {
    Outcome.SUCCESS: "passed",
    Outcome.WARNING: "passed, with remarks",
    Outcome.FAIL: "failed",
}
"""What a proving came to, in a few words."""


class ProvingStep(StrEnum):
    """The steps of a proving, in their order."""

    IDENTITY = "identity"
    HEALTH_BEFORE = "health before"
    CAPACITY = "capacity"
    SHORT_TEST = "short self-test"
    WRITE = "writing"
    READ = "reading"
    EXTENDED_TEST = "extended self-test"
    HEALTH_AFTER = "health after"


@dataclass(frozen=True, slots=True)
class ProvingPlan:
    """What a proving does. It writes only to a drive without content, or when told twice."""

    is_writing: bool  # write, read back and compare all of it; else read all of it
    is_erasing: bool  # there was content, and somebody said twice that it may go
    self_tests: tuple[SelfTestKind, ...]
    seed: str  # 32 lower-case hex digits, from which the patterns are made
    chunk_bytes: int


@dataclass(frozen=True, slots=True)
class StepResult:
    """How one step went, in one or more sentences."""

    step: ProvingStep
    outcome: Outcome
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Proving:
    """A proving that was begun; it goes on at byte `next_byte` of `step`."""

    id: ProvingId
    evidence: Evidence
    plan: ProvingPlan
    begun_at: datetime
    presence: Presence
    step: ProvingStep
    next_byte: int = 0
    results: tuple[StepResult, ...] = ()
    health_before: HealthReading | None = None
    samples: tuple[WatchSample, ...] = ()  # of all its runs so far, thinned out
    heat_pauses: tuple[HeatPause, ...] = ()
    rates: tuple[RatePlace, ...] = ()  # of what was read so far, by place


@dataclass(frozen=True, slots=True)
class RatePlace:
    """The rate over a stretch of the drive, in bytes and bytes per second."""

    start: int
    length: int
    rate_bytes_per_s: int
    is_slow: bool = False


@dataclass(frozen=True, slots=True)
class Certificate:
    """What a proving found, for the record and for the person who bought the drive.

    `outcome`: success, the drive may be trusted with content; warning, with what is said in
    `results`; fail, it may not.
    """

    id: ProvingId
    evidence: Evidence
    plan: ProvingPlan
    begun_at: datetime
    ended_at: datetime
    outcome: Outcome
    results: tuple[StepResult, ...]
    verdict: Verdict
    health_before: HealthReading | None = None
    health_after: HealthReading | None = None
    rates: tuple[RatePlace, ...] = ()
    samples: tuple[WatchSample, ...] = ()
    heat_pauses: tuple[HeatPause, ...] = ()
