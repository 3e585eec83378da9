"""Everything that can be written in the journal, as frozen records.

The catalogue is what these records add up to: each is durable in the journal first, then
applied to the catalogue (invariant I5). Labels are those of the published PREMIS event type
vocabulary wherever one fits; ours begin with ``local:``. A rewrite on the same drive fits no
published label exactly, so a refresh pass is logged as *fixity check*, ``local:in-place
rewrite``, *fixity check*. Source: id.loc.gov/vocabulary/preservation/eventType (2018 state).
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from refreshd.events.care import (
    CardCorrected,
    CatalogueBroughtUp,
    ClockAttested,
    DriveAccessioned,
    DriveHeld,
    DriveWithdrawn,
    HoldLifted,
    IdentityRefused,
    InventoryTaken,
    JournalOpened,
    TornLineKept,
)
from refreshd.events.health import (
    DriveProved,
    HealthRead,
    PassWatched,
    ProvingBegun,
    ProvingCheckpoint,
    ProvingGivenUp,
)
from refreshd.events.passes import (
    ChunksProved,
    DigestsRecorded,
    DriveRewritten,
    FindingAccepted,
    FindingClosed,
    FindingOpened,
    FixityChecked,
    PassBegun,
    PassEnded,
    PassInterrupted,
    PassResumed,
    PathDoubted,
    RangeMended,
    RewriteRun,
    StagedBytesKept,
)
from refreshd.events.record import Record
from refreshd.events.slips import (
    ChannelFailed,
    NoticeDelivered,
    PutAwayAsked,
    SlipAnswered,
    SlipIssued,
    SlipLapsed,
    SlipReminded,
    SlipReturned,
)
from refreshd.events.stays import (
    CarePaused,
    CareResumed,
    DriveArrived,
    DriveLeft,
    DriveReleased,
    PolicyTaken,
    StrangerReported,
)

__all__ = [
    "EVENTS",
    "CardCorrected",
    "CarePaused",
    "CareResumed",
    "CatalogueBroughtUp",
    "ChannelFailed",
    "ChunksProved",
    "ClockAttested",
    "DigestsRecorded",
    "DriveAccessioned",
    "DriveArrived",
    "DriveHeld",
    "DriveLeft",
    "DriveProved",
    "DriveReleased",
    "DriveRewritten",
    "DriveWithdrawn",
    "Entry",
    "Event",
    "FindingAccepted",
    "FindingClosed",
    "FindingOpened",
    "FixityChecked",
    "HealthRead",
    "HoldLifted",
    "IdentityRefused",
    "InventoryTaken",
    "JournalOpened",
    "NoticeDelivered",
    "PassBegun",
    "PassEnded",
    "PassInterrupted",
    "PassResumed",
    "PassWatched",
    "PathDoubted",
    "PolicyTaken",
    "ProvingBegun",
    "ProvingCheckpoint",
    "ProvingGivenUp",
    "PutAwayAsked",
    "RangeMended",
    "Record",
    "RewriteRun",
    "SlipAnswered",
    "SlipIssued",
    "SlipLapsed",
    "SlipReminded",
    "SlipReturned",
    "StagedBytesKept",
    "StrangerReported",
    "TornLineKept",
]

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
    | DriveArrived
    | DriveReleased
    | DriveLeft
    | StrangerReported
    | SlipIssued
    | SlipReminded
    | SlipAnswered
    | PutAwayAsked
    | SlipReturned
    | SlipLapsed
    | NoticeDelivered
    | ChannelFailed
    | CarePaused
    | CareResumed
    | PolicyTaken
    | HealthRead
    | PassWatched
    | ProvingBegun
    | ProvingCheckpoint
    | DriveProved
    | ProvingGivenUp
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
