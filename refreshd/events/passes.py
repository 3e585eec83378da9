"""Events of a pass: what was read, written, found and mended."""

from __future__ import annotations

from datetime import date
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from refreshd.cards import Presence
from refreshd.events.record import Record
from refreshd.quantities import DriveNumber, FindingId, FindingKind, Outcome, PassId, PassKind


class PassBegun(Record):
    """A pass over a drive began."""

    label = "local:pass begun"
    kind: Literal["pass-begun"] = "pass-begun"
    drive: DriveNumber
    pass_id: PassId
    pass_kind: PassKind
    presence: Presence
    segment_chunks: int
    is_closing: bool = False
    readback_lag_bytes: int = 0
    policy: dict[str, str] = Field(default_factory=dict)  # the values in force, as text


class PassResumed(Record):
    """An interrupted pass goes on, perhaps in another stay of the drive."""

    label = "local:pass resumed"
    kind: Literal["pass-resumed"] = "pass-resumed"
    drive: DriveNumber
    pass_id: PassId
    presence: Presence
    next_chunk: int


class DigestsRecorded(Record):
    """Chunks were read for the first time; their digests, packed 16 bytes each.

    Sixteen zero bytes stand for a chunk that could not be read.
    """

    label = "message digest calculation"
    kind: Literal["digests-recorded"] = "digests-recorded"
    drive: DriveNumber
    pass_id: PassId | None
    algorithm: Literal["xxh3-128"] = "xxh3-128"
    first_chunk: int
    digests: bytes


class RewriteRun(BaseModel):
    """Neighbouring chunks rewritten and proved; the date is the day on which the write began."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    first_chunk: int
    count: int
    written_on: date


class ChunksProved(Record):
    """A checkpoint: everything before `next_chunk` is settled for this pass.

    `rewritten` chunks were read back and match; `holes` hold nothing that could fade.
    """

    label = "local:in-place rewrite"
    kind: Literal["chunks-proved"] = "chunks-proved"
    drive: DriveNumber
    pass_id: PassId
    next_chunk: int
    rewritten: tuple[RewriteRun, ...] = ()
    holes: tuple[tuple[int, int], ...] = ()  # (first chunk, count)
    bytes_rewritten: int = 0


class FindingOpened(Record):
    """Something is wrong in a range of a drive."""

    label = "fixity check"
    kind: Literal["finding-opened"] = "finding-opened"
    drive: DriveNumber
    outcome: Outcome = Outcome.FAIL
    pass_id: PassId | None
    finding_id: FindingId
    finding_kind: FindingKind
    start_byte: int
    length_bytes: int
    observed: bytes | None = None
    note: str = ""


class FindingClosed(Record):
    """A finding no longer stands: mended, gone by itself, or replaced by a wider one."""

    label = "fixity check"
    kind: Literal["finding-closed"] = "finding-closed"
    drive: DriveNumber
    pass_id: PassId | None
    finding_id: FindingId
    how: str


class FindingAccepted(Record):
    """The owner says that the new bytes are right; their digest becomes the recorded one."""

    label = "message digest calculation"
    kind: Literal["finding-accepted"] = "finding-accepted"
    drive: DriveNumber
    finding_id: FindingId
    first_chunk: int
    digests: bytes
    said_by: str


class RangeMended(Record):
    """A range was written again from its staged copy."""

    label = "recovery"
    kind: Literal["range-mended"] = "range-mended"
    drive: DriveNumber
    outcome: Outcome = Outcome.WARNING
    pass_id: PassId
    start_byte: int
    length_bytes: int
    how: str


class PathDoubted(Record):
    """Two readings of the same bytes differed: memory, cable or bridge, not the drive's content."""

    label = "fixity check"
    kind: Literal["path-doubted"] = "path-doubted"
    drive: DriveNumber
    outcome: Outcome = Outcome.WARNING
    pass_id: PassId
    start_byte: int
    length_bytes: int


class StagedBytesKept(Record):
    """Staged bytes that could not be put back were moved out of the ring and kept."""

    label = "local:staged bytes kept"
    kind: Literal["staged-bytes-kept"] = "staged-bytes-kept"
    drive: DriveNumber
    outcome: Outcome = Outcome.WARNING
    pass_id: PassId
    start_byte: int
    length_bytes: int
    file: str


class FixityChecked(Record):
    """Bytes were read and compared with the recorded digests."""

    label = "fixity check"
    kind: Literal["fixity-checked"] = "fixity-checked"
    drive: DriveNumber
    pass_id: PassId
    moment: Literal["whole", "before rewrite", "after rewrite", "closing"]
    method: str  # how the bytes were made to come from the medium
    bytes_checked: int
    chunks_matched: int
    chunks_differing: int
    chunks_unreadable: int


class DriveRewritten(Record):
    """The summary of an in-place rewrite, between two fixity checks."""

    label = "local:in-place rewrite"
    kind: Literal["drive-rewritten"] = "drive-rewritten"
    drive: DriveNumber
    pass_id: PassId
    bytes_rewritten: int
    bytes_skipped: int


class PassEnded(Record):
    """A pass reached the end of the drive, or was given up for good."""

    label = "local:pass ended"
    kind: Literal["pass-ended"] = "pass-ended"
    drive: DriveNumber
    pass_id: PassId
    pass_kind: PassKind
    reached_end: bool
    checked_on: date | None  # the day on which the pass began, when all of the drive was read
    findings: int
    note: str = ""


class PassInterrupted(Record):
    """A pass stopped before its end and can go on from its last checkpoint."""

    label = "local:pass interrupted"
    kind: Literal["pass-interrupted"] = "pass-interrupted"
    drive: DriveNumber
    outcome: Outcome = Outcome.WARNING
    pass_id: PassId
    reason: str
