"""Events about a drive's health, and about its proving before it is taken into care.

Their labels are our own: the published vocabulary is about files and packages. "Validation"
compares one with a standard, "appraisal" asks whether one is worth keeping, "metadata
extraction" reads one; a drive that is asked how it is, or tried out, is none. Source: as in
`refreshd.events`, definitions of val, app and mee.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from refreshd.cards import Evidence, Presence
from refreshd.events.record import Record
from refreshd.health_cards import (
    EvidenceLine,
    HealthReading,
    HeatPause,
    Moment,
    PageName,
    Verdict,
    WatchSample,
)
from refreshd.proving_cards import Certificate, ProvingPlan, ProvingStep, RatePlace, StepResult
from refreshd.quantities import DriveNumber, PassId, ProvingId


class HealthRead(Record):
    """A drive was asked about its health; the pages are kept as they came, for whoever doubts.

    The outcome is warning for the verdict "watch", fail for the two above it.
    """

    label = "local:health reading"
    kind: Literal["health-read"] = "health-read"
    drive: DriveNumber
    moment: Moment
    pass_id: PassId | None = None
    reading: HealthReading
    verdict: Verdict
    evidence: tuple[EvidenceLine, ...] = ()
    changes: tuple[str, ...] = ()
    pages: dict[PageName, bytes] = Field(default_factory=dict)


class PassWatched(Record):
    """Temperature and rate across one run of a pass, thinned out to a few hundred samples."""

    label = "local:pass watched"
    kind: Literal["pass-watched"] = "pass-watched"
    drive: DriveNumber
    pass_id: PassId
    doing: str
    samples: tuple[WatchSample, ...]
    heat_pauses: tuple[HeatPause, ...] = ()


class ProvingBegun(Record):
    """The acceptance test of a drive began, before it is taken into care."""

    label = "local:proving begun"
    kind: Literal["proving-begun"] = "proving-begun"
    proving_id: ProvingId
    evidence: Evidence
    presence: Presence
    plan: ProvingPlan


class ProvingCheckpoint(Record):
    """A proving came so far: everything before this byte of this step is done.

    `results` is what was found since the checkpoint before: of a step that ended, or of one that
    found something wrong and goes on; one step may have several. `samples` and `rates` likewise.
    `pages_before` stands in the checkpoint that ends the first reading of its health.
    """

    label = "local:proving checkpoint"
    kind: Literal["proving-checkpoint"] = "proving-checkpoint"
    proving_id: ProvingId
    presence: Presence
    step: ProvingStep
    next_byte: int = 0
    results: tuple[StepResult, ...] = ()
    health_before: HealthReading | None = None
    samples: tuple[WatchSample, ...] = ()
    heat_pauses: tuple[HeatPause, ...] = ()
    rates: tuple[RatePlace, ...] = ()
    pages_before: dict[PageName, bytes] = Field(default_factory=dict)
    note: str = ""


class DriveProved(Record):
    """A proving ended; its certificate says what was found. Success: the drive passed."""

    label = "local:proving ended"
    kind: Literal["drive-proved"] = "drive-proved"
    proving_id: ProvingId
    certificate: Certificate
    pages_after: dict[PageName, bytes] = Field(default_factory=dict)


class ProvingGivenUp(Record):
    """A proving was given up before its end: another was begun, or somebody said so."""

    label = "local:proving given up"
    kind: Literal["proving-given-up"] = "proving-given-up"
    proving_id: ProvingId
    why: str
