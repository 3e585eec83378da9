"""What the catalogue knows, as frozen values: cards, findings, passes, and evidence of identity."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import NamedTuple

from refreshd.health_cards import HealthState
from refreshd.quantities import (
    ChunkGrid,
    Digest,
    DriveNumber,
    Errand,
    FindingId,
    FindingKind,
    Geometry,
    MediumKind,
    Outcome,
    PassId,
    PassKind,
    SlipNumber,
    Span,
)


class Carrier(StrEnum):
    """How the content reaches us: through a block device, an image file or a mounted folder."""

    BLOCK = "block"
    IMAGE = "image"
    FOLDER = "folder"

    @property
    def words(self) -> str:
        """Return it as one would say it, such as ``image file``."""
        names = {Carrier.BLOCK: "block device", Carrier.IMAGE: "image file"}
        return names.get(self, "mounted folder")


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a medium says about itself, gathered without writing. ``None``: it does not say.

    `signatures` are partition-table and file-system UUIDs, as ``gpt:UUID``, ``ext4:UUID``,
    sorted; they travel with the content and so are shared by a byte-identical clone.
    `has_own_names`: the drive itself gave its names; otherwise a bridge may have made them up.
    """

    carrier: Carrier
    size_bytes: int
    logical_bytes: int
    physical_bytes: int
    wwn: str | None = None
    model: str | None = None
    serial: str | None = None
    signatures: tuple[str, ...] = ()
    is_rotational: bool | None = None
    has_own_names: bool = False

    @property
    def name_words(self) -> str:
        """Return what it calls itself, such as ``model X, serial Y``; empty: it has no names."""
        named = (("model", self.model), ("serial", self.serial), ("world-wide name", self.wwn))
        return ", ".join(f"{what} {name}" for what, name in named if name)

    @property
    def geometry(self) -> Geometry:
        """Size and sectors of a block medium."""
        return Geometry(self.size_bytes, self.logical_bytes, self.physical_bytes)

    def is_surely_of(self, other: Evidence) -> bool:
        """Say whether one and the same drive gave both, by the names that it gave itself.

        World-wide name, else model and serial. The names of a bridge prove nothing: it gives
        the same ones for every drive that is put into it.
        """
        if not (self.has_own_names and other.has_own_names):
            return False
        if self.wwn and other.wwn:
            return self.wwn == other.wwn
        return bool(self.serial) and (self.model, self.serial) == (other.model, other.serial)


@dataclass(frozen=True, slots=True)
class Presence:
    """One uninterrupted stay of a drive: same boot and same disk sequence number.

    Equal presences with neither field ``None`` prove that the drive was not elsewhere
    in between. Source: Linux uapi BLKGETDISKSEQ; /proc/sys/kernel/random/boot_id.
    """

    boot_id: str | None = None
    disk_sequence: int | None = None

    def is_same_stay(self, other: Presence) -> bool:
        """Say whether the drive provably never left between the two."""
        return (
            self.boot_id is not None
            and self.disk_sequence is not None
            and (self.boot_id, self.disk_sequence) == (other.boot_id, other.disk_sequence)
        )


@dataclass(frozen=True, slots=True)
class DriveCard:
    """One drive in care. Dates are calendar dates in UTC."""

    number: DriveNumber
    shelfmark: str
    title: str
    medium: MediumKind
    evidence: Evidence
    chunk_bytes: int
    accessioned_on: date
    claimed_written_on: date | None = None
    is_taken_in: bool = False  # every chunk was read once and its digest (or damage) recorded
    withdrawn_on: date | None = None
    hold: str | None = None  # why nothing may be written to it, in a sentence
    hold_lifted_at: datetime | None = None  # the last time; somebody had looked at it then
    last_fixity: date | None = None
    passes: int = 0  # how many passes were begun, ever
    holding: str | None = None  # drives with the same holding carry copies of the same content
    health: HealthState | None = None  # by its last reading; None: never read

    @property
    def is_to_replace(self) -> bool:
        """Say whether its health asks that it is read and copied off, and not rewritten.

        Not where somebody looked since, and lifted its hold: then its next reading counts.
        """
        if self.health is None or not self.health.is_to_replace:
            return False
        judged_on, lifted_at = self.health.judged_on, self.hold_lifted_at
        if self.hold is not None or lifted_at is None or judged_on is None:
            return True
        return judged_on > lifted_at.date()

    @property
    def grid(self) -> ChunkGrid:
        """How the drive is divided into chunks."""
        return ChunkGrid(self.evidence.size_bytes, self.chunk_bytes)


class FindingState(StrEnum):
    """Where a finding stands."""

    OPEN = "open"
    ACCEPTED = "accepted"  # the owner says that the new bytes are right
    CLOSED = "closed"  # mended, or gone by itself


@dataclass(frozen=True, slots=True)
class Finding:
    """Something wrong on one drive that wants a decision."""

    id: FindingId
    drive: DriveNumber
    kind: FindingKind
    span: Span
    opened_on: date
    state: FindingState = FindingState.OPEN
    observed: Digest | None = None  # of one mismatching chunk, when two readings agreed
    note: str = ""


@dataclass(frozen=True, slots=True)
class PassState:
    """A pass that was begun and has not ended; it goes on at `next_chunk`."""

    id: PassId
    drive: DriveNumber
    kind: PassKind
    begun_at: datetime
    next_chunk: int
    presence: Presence
    segment_chunks: int
    is_closing: bool = False
    rewritten_bytes: int = 0
    mismatches: int = 0
    checked_bytes: int = 0


@dataclass(frozen=True, slots=True)
class PassHistory:
    """A pass that has ended, for the drive's card. Bytes are those of the drive alone."""

    id: PassId
    drive: DriveNumber
    kind: PassKind
    begun_at: datetime
    ended_at: datetime
    outcome: Outcome
    reached_end: bool
    checked_bytes: int
    rewritten_bytes: int
    findings: int
    note: str = ""


class LastRewrite(NamedTuple):
    """When the oldest chunk without an open finding was rewritten, and how many have one (I4)."""

    on: date | None  # None: some such chunk was never rewritten and proved, or there is none
    held_chunks: int


@dataclass(frozen=True, slots=True)
class ShelfRow:
    """What planning needs to know of one drive in care."""

    card: DriveCard
    rewritten: LastRewrite
    open_findings: int = 0
    unfinished: tuple[PassState, ...] = ()
    last_refresh_at: datetime | None = None  # when its last refresh that ended was ended
    own_rate_bytes_per_s: int = 0  # the fastest of its passes; 0: not known


class SlipState(StrEnum):
    """Where a slip stands. The last two are final."""

    ISSUED = "issued"  # somebody was asked to bring the drive out
    ANSWERED = "answered"  # the drive is at a bay
    TO_PUT_AWAY = "to put away"  # its visit is over: it may be unplugged and put back
    RETURNED = "returned"
    LAPSED = "lapsed"  # not answered in time, or no longer wanted; another may be issued for it

    @property
    def is_open(self) -> bool:
        """Say whether somebody has still something to do."""
        return self not in {SlipState.RETURNED, SlipState.LAPSED}


@dataclass(frozen=True, slots=True)
class Slip:
    """The request to bring one drive out, do something with it, and put it back.

    `due_on` is the day on which the policy wants the errand done, `grace_ends_on` the day from
    which it is overdue beyond what the policy forgives. `expected_s`: None where nobody can say.
    """

    number: SlipNumber
    drive: DriveNumber
    errand: Errand
    reason: str  # one sentence
    issued_on: date
    due_on: date
    grace_ends_on: date
    state: SlipState = SlipState.ISSUED
    changed_on: date = date.min  # the day on which it came into this state
    expected_s: int | None = None
    reissue_of: SlipNumber | None = None
    reminders: int = 0  # since it came into this state
    reminded_on: date | None = None
    is_escalated: bool = False
    note: str = ""  # how it was returned, or why it lapsed

    @property
    def is_open(self) -> bool:
        """Say whether somebody has still something to do."""
        return self.state.is_open


@dataclass(frozen=True, slots=True)
class Stay:
    """A drive in care that is plugged in, as far as the record knows.

    `is_released`: it was flushed, stopped and may be unplugged.
    """

    drive: DriveNumber
    place: str  # device node at the time, for messages only
    presence: Presence
    arrived_at: datetime
    released_at: datetime | None = None

    @property
    def is_released(self) -> bool:
        """Say whether the drive may be unplugged."""
        return self.released_at is not None


@dataclass(frozen=True, slots=True)
class Pause:
    """Somebody asked that no pass runs. `until`: None: until somebody says otherwise."""

    said_by: str
    since: datetime
    until: datetime | None = None


class Delivery(NamedTuple):
    """One slip in one stage was handed to one channel."""

    slip: SlipNumber
    stage: str
    channel: str
