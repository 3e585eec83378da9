"""Events of the service: drives that come and go, pauses, the policy in force."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from refreshd.cards import Evidence, Presence
from refreshd.events.record import Record
from refreshd.quantities import DriveNumber


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
