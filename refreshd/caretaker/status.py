"""How things stand, as the caretaker tells it: frozen values for the API, the page and tests."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from refreshd.cards import Evidence, Pause, Slip
from refreshd.health_cards import HealthState
from refreshd.ports import Seat
from refreshd.quantities import DriveNumber, PassKind
from refreshd.spreading import PlannedVisit


class Doing(StrEnum):
    """What becomes of a disk that is plugged in."""

    IDENTIFYING = "being identified"
    STRANGER = "not in care"  # reported once, never touched
    UNCLEAR = "not identified"  # evidence contradicts, or something else uses it
    IN_USE = "in use"  # by this server, when the service started: not one of the bays
    WAITING = "waiting"  # a pass is wanted, and `why` says what it waits for
    VISITING = "being visited"
    IDLE = "idle"  # in care, and nothing is wanted of it now
    RELEASING = "being released"
    RELEASED = "may be unplugged"
    KEPT = "not released"  # its disk could not be flushed or stopped; `why` says how that came
    HANGING = "hanging"  # its worker hangs in the kernel: the seat is of no use until it is gone


@dataclass(frozen=True, slots=True)
class DriveHere:
    """One disk that is plugged in. `drive` and `evidence`: None until it was identified.

    `why` says in words what it waits for, or what is wrong; empty where there is nothing to say.
    """

    seat: Seat
    doing: Doing
    drive: DriveNumber | None
    evidence: Evidence | None
    arrived_at: datetime
    why: str = ""
    released_at: datetime | None = None
    health: HealthState | None = None  # by its last reading; None: never read, or not in care
    celsius: int | None = None  # at that reading
    read_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class DriveToMind:
    """A drive in care whose health is not as one would like it, attached or on its shelf."""

    drive: DriveNumber
    health: HealthState


@dataclass(frozen=True, slots=True)
class VisitUnderWay:
    """One pass under way, and how far it is, in bytes of the drive. `drive` None: a proving.

    `done_bytes` and `of_bytes` are 0 until its worker has said something. `silent_s`: seconds
    since it last did. `hangs_at_byte`: where on the drive it stands, once it has been silent for
    longer than the policy lets a request take; None: it is not held to hang.
    """

    seat: Seat
    drive: DriveNumber | None
    kind: PassKind
    is_closing: bool
    asked_by: str  # empty: the plan
    begun_at: datetime
    done_bytes: int = 0
    of_bytes: int = 0
    doing: str = ""
    rate_bytes_per_s: float | None = None  # None: too early to say
    left_s: float | None = None
    silent_s: float = 0.0
    hangs_at_byte: int | None = None
    stopping: str = ""  # why it was asked to stop; empty: it was not


@dataclass(frozen=True, slots=True)
class Status:
    """How things stand at one moment.

    `quiet_until` and `quiet_from` are on the server's own clock on the wall: when the quiet
    hours that hold now end, or the next ones begin. `clock_alarm` and
    `record_alarm`: a sentence, empty while all is well.
    """

    at: datetime
    bays: int
    slips: tuple[Slip, ...] = ()
    here: tuple[DriveHere, ...] = ()
    visits: tuple[VisitUnderWay, ...] = ()
    planned: tuple[PlannedVisit, ...] = ()  # the next visits, the first to ask for first
    pause: Pause | None = None
    quiet_until: datetime | None = None
    quiet_from: datetime | None = None
    is_on_battery: bool = False
    clock_alarm: str = ""
    record_alarm: str = ""
    open_findings: int = 0  # that wait for a decision, of all drives in care
    to_mind: tuple[DriveToMind, ...] = ()  # whose health is "watch" or worse, the worst first
    backlog: str = ""  # which drives are past their grace and cannot be asked for yet
    next_bell: datetime | None = None

    @property
    def is_well(self) -> bool:
        """Say whether everything can be recorded, dated and done."""
        return not (self.clock_alarm or self.record_alarm)
