"""Events of the service: arrivals, slips, notices, pauses."""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal

from refreshd.cards import Evidence, Presence
from refreshd.events.record import Record
from refreshd.quantities import DriveNumber, Errand, Outcome, SlipNumber


class DriveArrived(Record):
    """A drive in care was plugged in, and it was proved which one it is."""

    label = "local:drive arrived"
    kind: Literal["drive-arrived"] = "drive-arrived"
    drive: DriveNumber
    place: str
    presence: Presence


class DriveReleased(Record):
    """A drive was flushed and stopped as far as it lets itself be; it may be unplugged."""

    label = "local:drive released"
    kind: Literal["drive-released"] = "drive-released"
    drive: DriveNumber
    how: str  # what was done: flushed, spun down, powered off


class DriveLeft(Record):
    """A drive is no longer plugged in. A warning when it was pulled out of a visit."""

    label = "local:drive left"
    kind: Literal["drive-left"] = "drive-left"
    drive: DriveNumber
    note: str = ""


class StrangerReported(Record):
    """A drive that is not in care was plugged in; it was not touched. Said once for each."""

    label = "local:stranger reported"
    kind: Literal["stranger-reported"] = "stranger-reported"
    evidence: Evidence
    place: str


class SlipIssued(Record):
    """Somebody is asked to bring a drive out, or (`put away`) to put one back."""

    label = "local:slip issued"
    kind: Literal["slip-issued"] = "slip-issued"
    drive: DriveNumber
    slip: SlipNumber
    errand: Errand
    reason: str
    due_on: date
    grace_ends_on: date
    expected_s: int | None = None
    reissue_of: SlipNumber | None = None


class SlipReminded(Record):
    """A slip was not answered, or its drive not put away, and somebody is reminded."""

    label = "local:slip reminded"
    kind: Literal["slip-reminded"] = "slip-reminded"
    drive: DriveNumber
    slip: SlipNumber
    is_escalated: bool = False  # now those are told, too, whom the policy names for it


class SlipAnswered(Record):
    """The drive that a slip asks for is here."""

    label = "local:slip answered"
    kind: Literal["slip-answered"] = "slip-answered"
    drive: DriveNumber
    slip: SlipNumber


class PutAwayAsked(Record):
    """The visit is over; the drive may be unplugged and should go back to its shelfmark.

    `is_done`: the errand was done; otherwise another slip will ask for the drive again.
    """

    label = "local:put away asked"
    kind: Literal["put-away-asked"] = "put-away-asked"
    drive: DriveNumber
    slip: SlipNumber
    is_done: bool
    note: str = ""


class SlipReturned(Record):
    """The drive is away again; the slip is done with."""

    label = "local:slip returned"
    kind: Literal["slip-returned"] = "slip-returned"
    drive: DriveNumber
    slip: SlipNumber
    how: str


class SlipLapsed(Record):
    """Nobody answered the slip in time, or it is no longer wanted."""

    label = "local:slip lapsed"
    kind: Literal["slip-lapsed"] = "slip-lapsed"
    drive: DriveNumber
    slip: SlipNumber
    why: str


class NoticeDelivered(Record):
    """A channel took a notice about slips; `stages` names each slip and the stage it was in."""

    label = "local:notice delivered"
    kind: Literal["notice-delivered"] = "notice-delivered"
    channel: str
    stages: tuple[tuple[SlipNumber, str], ...]


class ChannelFailed(Record):
    """A channel takes no notices; said once, until it takes one again."""

    label = "local:channel failed"
    kind: Literal["channel-failed"] = "channel-failed"
    outcome: Outcome = Outcome.WARNING
    channel: str
    why: str


class CarePaused(Record):
    """Somebody asked that no pass runs."""

    label = "local:care paused"
    kind: Literal["care-paused"] = "care-paused"
    said_by: str
    until: datetime | None = None


class CareResumed(Record):
    """Passes may run again: somebody said so, or the time that was set is over."""

    label = "local:care resumed"
    kind: Literal["care-resumed"] = "care-resumed"
    said_by: str


class PolicyTaken(Record):
    """The service runs under this policy from now on; its file's SHA-256 says which.

    The text is SHA-256, in lower-case hex, over the file; empty where it is built in.
    """

    label = "policy assignment"
    kind: Literal["policy-taken"] = "policy-taken"
    file: str
    sha256: str
