"""What a pass works with, what it is asked for, and what it reports."""

from __future__ import annotations

from dataclasses import dataclass, field

from refreshd.cards import Finding
from refreshd.errors import RefreshdError
from refreshd.health_cards import HeatLimits
from refreshd.ports import (
    Attendant,
    BlockMedium,
    Clock,
    Examiner,
    Lanes,
    Ledger,
    StagingFile,
)
from refreshd.quantities import MIB, DriveNumber, Outcome, PassId, PassKind, Span


@dataclass(frozen=True, slots=True)
class Bench:
    """The ports of one visit. `staging` is None for passes that write nothing.

    `examiner` is None where there is no drive that could be asked, such as behind an image.
    """

    medium: BlockMedium
    ledger: Ledger
    clock: Clock
    lanes: Lanes
    attendant: Attendant
    staging: StagingFile | None = None
    examiner: Examiner | None = None


@dataclass(frozen=True, slots=True)
class PassOptions:
    """How a pass is to be done; the values come from the policy."""

    segment_bytes: int = 64 * MIB
    readback_lag_bytes: int = 512 * MIB
    rate_bytes_per_s_max: int | None = None  # None: as fast as the drive goes
    least_age_days: int = 30  # a chunk rewritten more recently than this is left alone
    heat: HeatLimits = field(default_factory=HeatLimits)
    is_closing: bool = False  # read the whole drive once more at the end
    policy: dict[str, str] = field(default_factory=dict)  # the values in force, for the journal


@dataclass(frozen=True, slots=True)
class Mended:
    """A range that was written again within the pass, and how it came to that."""

    span: Span
    how: str


@dataclass(frozen=True, slots=True)
class PassReport:
    """What a pass did in this visit. Bytes are those of the drive alone, not of staging.

    `stopped_by` is the error that ended the pass before its end; it is resumable unless
    the drive is on hold. `findings` are those this pass opened or met again.
    """

    drive: DriveNumber
    pass_id: PassId
    kind: PassKind
    outcome: Outcome
    bytes_read: int
    bytes_written: int
    bytes_skipped: int
    seconds: float
    findings: tuple[Finding, ...] = ()
    mended: tuple[Mended, ...] = ()
    notes: tuple[str, ...] = ()
    stopped_by: RefreshdError | None = None
