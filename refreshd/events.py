"""Everything that can be written in the journal, as frozen records.

The catalogue is what these records add up to: each is durable in the journal first, then
applied to the catalogue (invariant I5). Labels are those of the published PREMIS event type
vocabulary wherever one fits; ours begin with ``local:``. A rewrite on the same drive fits no
published label exactly, so a refresh pass is logged as *fixity check*, ``local:in-place
rewrite``, *fixity check*. Source: id.loc.gov/vocabulary/preservation/eventType (2018 state).
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from refreshd.cards import Evidence, Presence
from refreshd.quantities import (
    DriveNumber,
    FindingId,
    FindingKind,
    MediumKind,
    Outcome,
    PassId,
    PassKind,
)


class Record(BaseModel):
    """What every event has: a kind, the drive it is about (or none), and how it ended."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", ser_json_bytes="base64", val_json_bytes="base64"
    )

    label: ClassVar[str]
    kind: str
    drive: DriveNumber | None = None
    outcome: Outcome = Outcome.SUCCESS


class JournalOpened(Record):
    """The first record of every journal."""

    label = "local:journal opened"
    kind: Literal["journal-opened"] = "journal-opened"
    program: str  # name and version


class TornLineKept(Record):
    """A power cut tore the last line; its bytes were set aside, nothing had relied on them."""

    label = "local:torn line kept aside"
    kind: Literal["torn-line-kept"] = "torn-line-kept"
    file: str
    length_bytes: int
    sha256: str


class CatalogueBroughtUp(Record):
    """The catalogue was an old copy and was brought up from the journal."""

    label = "local:catalogue brought up"
    kind: Literal["catalogue-brought-up"] = "catalogue-brought-up"
    from_sequence: int
    to_sequence: int


class ClockAttested(Record):
    """A person looked at the clock and says that it is right (I4)."""

    label = "local:clock attested"
    kind: Literal["clock-attested"] = "clock-attested"
    said_by: str


class DriveAccessioned(Record):
    """A drive was taken into care; its chunks are still to be recorded."""

    label = "accession"
    kind: Literal["drive-accessioned"] = "drive-accessioned"
    drive: DriveNumber
    shelfmark: str
    title: str
    medium: MediumKind
    evidence: Evidence
    chunk_bytes: int
    claimed_written_on: date | None


class CardCorrected(Record):
    """Somebody corrected a card. ``None`` leaves a field as it was."""

    label = "metadata modification"
    kind: Literal["card-corrected"] = "card-corrected"
    drive: DriveNumber
    shelfmark: str | None = None
    title: str | None = None
    medium: MediumKind | None = None
    claimed_written_on: date | None = None


class DriveWithdrawn(Record):
    """A drive was taken out of care."""

    label = "deaccession"
    kind: Literal["drive-withdrawn"] = "drive-withdrawn"
    drive: DriveNumber
    reason: str = ""


class DriveHeld(Record):
    """Nothing may be written to the drive until somebody lifts the hold."""

    label = "quarantine"
    kind: Literal["drive-held"] = "drive-held"
    drive: DriveNumber
    outcome: Outcome = Outcome.FAIL
    reason: str


class HoldLifted(Record):
    """Somebody looked and lifted the hold."""

    label = "unquarantine"
    kind: Literal["hold-lifted"] = "hold-lifted"
    drive: DriveNumber
    reason: str


class IdentityRefused(Record):
    """The evidence fits no drive, two drives, or contradicts a card. Nothing was touched."""

    label = "local:identity refused"
    kind: Literal["identity-refused"] = "identity-refused"
    outcome: Outcome = Outcome.FAIL
    evidence: Evidence
    reason: str


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


class InventoryTaken(Record):
    """The files of a mounted drive were listed, each regular file with its XXH3-128 digest.

    `listing_sha256` is SHA-256, in lower-case hex, over the listing, one line an item in the
    order of the walk; the same tree gives the same value.
    """

    label = "message digest calculation"
    kind: Literal["inventory-taken"] = "inventory-taken"
    drive: DriveNumber
    files: int
    file_bytes: int
    other_items: int  # folders, links, devices, sockets: recorded, never followed
    unreadable_items: int
    listing_sha256: str


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


Event = (
    JournalOpened
    | TornLineKept
    | CatalogueBroughtUp
    | ClockAttested
    | DriveAccessioned
    | CardCorrected
    | DriveWithdrawn
    | DriveHeld
    | HoldLifted
    | IdentityRefused
    | PassBegun
    | PassResumed
    | DigestsRecorded
    | ChunksProved
    | FindingOpened
    | FindingClosed
    | FindingAccepted
    | RangeMended
    | PathDoubted
    | StagedBytesKept
    | FixityChecked
    | DriveRewritten
    | InventoryTaken
    | PassEnded
    | PassInterrupted
)

EVENTS: TypeAdapter[Event] = TypeAdapter(Annotated[Event, Field(discriminator="kind")])
"""Reads any event back from its JSON object; an unknown kind or field is an error."""


class Entry(BaseModel):
    """One line of the journal: an event, its place in the chain and its time.

    `digest` is SHA-256, in lower-case hex, over the RFC 8785 canonical JSON of the line
    without `digest` itself; `previous` is the digest of the line before (64 zeros for the
    first), so an edited, removed, inserted or moved line shows.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    sequence: int
    at: datetime  # UTC, whole seconds
    label: str
    event: Annotated[Event, Field(discriminator="kind")]
    previous: str
    digest: str
