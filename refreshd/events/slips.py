"""Events about slips, and about the notices that bring them to people."""

from __future__ import annotations

from datetime import date
from typing import Literal

from refreshd.events.record import Record
from refreshd.quantities import DriveNumber, Errand, Outcome, SlipNumber


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
