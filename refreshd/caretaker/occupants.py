"""What sits at the seats: each disk that is plugged in, known or not, and what is done with it.

All of it is forgotten when the disk leaves and its worker has ended: what matters for longer is
in the ledger (I5), and hundreds of arrivals leave nothing behind.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from math import inf

from refreshd.cards import Evidence, Presence
from refreshd.caretaker.progress import Progress
from refreshd.health_cards import HealthEntry
from refreshd.messages import ErrorTold, VisitEnded
from refreshd.ports import Seat, VisitOrder
from refreshd.quantities import DriveNumber, PassKind


class Work(StrEnum):
    """What a worker is out for."""

    IDENTIFY = "identify"
    VISIT = "visit"
    REST = "rest"
    RELEASE = "release"


class Cause(StrEnum):
    """Why a pass is asked to stop; decides what becomes of its drive."""

    NOT_NOW = "not now"  # it goes on by itself when that is over
    LONG_ENOUGH = "long enough"  # the drive goes back, and is asked for again
    BY_HAND = "by hand"  # it goes on in another stay, or when somebody says so


@dataclass(frozen=True, slots=True)
class Stop:
    """Why a pass was asked to stop."""

    cause: Cause
    why: str


@dataclass(frozen=True, slots=True)
class Over:
    """The drive is done with in this stay, and goes back."""

    is_done: bool
    note: str = ""
    again_in_days: int = 1  # where it was not done: not asked for again before


@dataclass(slots=True)
class Run:
    """One worker that runs one pass."""

    order: VisitOrder
    begun_at: datetime
    progress: Progress = field(default_factory=Progress)
    ended: VisitEnded | None = None
    stop: Stop | None = None
    is_aside: bool = False  # a health reading that nobody waits for


@dataclass(slots=True)
class Occupant:
    """One disk at one seat. Fields that end in `_s` are times of the clock that never jumps."""

    seat: Seat
    arrived_at: datetime
    arrived_s: float
    was_here: bool = False  # when the service started

    work: Work | None = None
    heard_s: float = 0.0  # when its worker was started, or last said something
    is_hang_said: bool = False  # that it has been silent for too long
    retry_s: float | None = None  # not before; what is tried again depends on what failed
    tries: int = 0  # how often in a row something was tried in vain

    drive: DriveNumber | None = None
    evidence: Evidence | None = None
    presence: Presence | None = None
    unclear: str = ""  # why it is not known which drive this is
    unclear_error: ErrorTold | None = None
    hanging: str = ""  # where its worker hangs in the kernel
    is_gone: bool = False  # unplugged, but its worker has not ended yet

    run: Run | None = None
    order: VisitOrder | None = None  # asked for by hand, or stopped for now in this stay
    completed: set[PassKind] = field(default_factory=set)  # passes that reached their end here
    first_begun_at: datetime | None = None  # of all passes in this stay
    failures: int = 0  # workers that ended without a word
    is_stopped_by_hand: bool = False
    over: Over | None = None

    waits_for: str = ""  # why the pass that is wanted does not run
    is_wait_lasting: bool = False  # days, or until somebody acts
    is_wait_brief: bool = False  # seconds: not worth stopping its disk for
    waits_said: str = ""  # the kind of waiting that people were told of
    trouble_said: str = ""  # the kind of trouble of the server that people were told of
    is_offered: bool = False
    is_double_said: bool = False  # that another disk claims to be the same drive
    is_rested: bool = False
    released_how: str | None = None  # what its worker said; not in the record yet
    is_off: bool = False  # it was powered off, and cannot be seen any more
    kept: str = ""  # why it could not be released
    is_kept_said: bool = False
    asked_s: float = -inf  # when it was asked how it is, beside its passes; -inf: not yet
    last_reading: HealthEntry | None = None  # of its health; meaningless unless `is_looked_up`
    is_looked_up: bool = False
    is_left_alone: bool = False  # it is not asked how it is, likewise
    heats: int = 0  # how often it got too hot in this stay
    cool_s: float | None = None  # until when it rests for that
    is_failing: bool = False  # it said so in this stay
    idle_s: float = 0.0  # since when no pass is under way
    is_left_said_at: datetime | None = None  # when somebody was told that it waits too long

    @property
    def is_stranger(self) -> bool:
        """Say whether it was identified as a drive in nobody's care."""
        return self.drive is None and self.evidence is not None

    @property
    def is_in_question(self) -> bool:
        """Say whether it may yet turn out to be any drive."""
        return self.drive is None and self.evidence is None

    @property
    def is_reachable(self) -> bool:
        """Say whether a worker can be sent to it."""
        return not (self.unclear or self.hanging or self.is_gone)

    @property
    def is_usable(self) -> bool:
        """Say whether it is a drive in care that a worker can be sent to."""
        return self.drive is not None and self.is_reachable


class Occupants:
    """All of them, by seat. At a node is at most one that is not gone."""

    def __init__(self) -> None:
        self._here: dict[str, Occupant] = {}
        self._gone: list[Occupant] = []

    def __iter__(self) -> Iterator[Occupant]:
        """Yield those that are plugged in, in the order in which they came."""
        return iter(tuple(self._here.values()))

    @property
    def is_anybody(self) -> bool:
        """Say whether some disk is here, or some worker still out."""
        return bool(self._here or self._gone)

    def at(self, node: str) -> Occupant | None:
        """Return what sits at a node now."""
        return self._here.get(node)

    def speaker(self, seat: Seat) -> Occupant | None:
        """Return whose worker speaks for a seat: also one that was unplugged meanwhile."""
        # Where the kernel gives no sequence numbers, an old worker speaks first.
        for one in (*self._gone, self._here.get(seat.node)):
            if one is not None and one.seat == seat:
                return one
        return None

    def of(self, number: DriveNumber) -> tuple[Occupant, ...]:
        """Return what claims to be a drive; more than one is a contradiction."""
        return tuple(one for one in self._here.values() if one.drive == number)

    def visiting(self) -> tuple[Occupant, ...]:
        """Return those with a pass under way, also where the drive is gone already."""
        everyone = (*self._here.values(), *self._gone)
        return tuple(one for one in everyone if one.run is not None and not one.hanging)

    def busy(self) -> tuple[Occupant, ...]:
        """Return those whose worker has not ended."""
        everyone = (*self._here.values(), *self._gone)
        return tuple(one for one in everyone if one.work is not None)

    def is_worked_on(self, number: DriveNumber) -> bool:
        """Say whether some worker is still out for a drive, wherever it is or was."""
        return any(
            number == (one.drive if one.run is None else one.run.order.drive) for one in self.busy()
        )

    def seated(self, one: Occupant) -> None:
        """Take in a disk that was plugged in."""
        self._here[one.seat.node] = one

    def unseated(self, node: str) -> Occupant | None:
        """Take out what sits at a node; it is kept while its worker is out."""
        one = self._here.pop(node, None)
        if one is not None:
            one.is_gone = True
            if one.work is not None:
                self._gone.append(one)
        return one

    def being_released(self) -> tuple[Occupant, ...]:
        """Return those that are gone while their worker lets them go: it may have done that."""
        return tuple(one for one in self._gone if one.work is Work.RELEASE)

    def forget(self, one: Occupant) -> None:
        """Drop one that is gone and whose worker has ended."""
        if one in self._gone:
            self._gone.remove(one)
