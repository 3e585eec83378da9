"""What all parts of the caretaker share: its surroundings, the disks that are here, the record."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import TypeVar

from refreshd.cards import DriveCard, Pause, ShelfRow, Slip, Stay
from refreshd.caretaker.occupants import Occupant, Occupants, Work
from refreshd.caretaker.scribe import Scribe
from refreshd.caretaker.surroundings import Surroundings
from refreshd.errors import require
from refreshd.events import Entry, Event
from refreshd.health_cards import Verdict
from refreshd.policy import Policy
from refreshd.ports import Notice
from refreshd.quantities import DriveNumber
from refreshd.spreading import PlannedVisit, Planner

T = TypeVar("T")


class House:
    """What all share. What was read from the ledger is kept until something may have changed it."""

    def __init__(self, around: Surroundings) -> None:
        self.around = around
        self.scribe = Scribe(around)
        self.occupants = Occupants()
        self.is_ending = False
        self.wants_prompt = True
        self.prompt_at: datetime | None = None
        self.backlog = ""
        self.backlog_said: tuple[date, frozenset[DriveNumber]] = (date.min, frozenset())
        self.not_before: dict[DriveNumber, date] = {}
        """Until when a drive that could not be visited is not asked for again."""
        self.stopped_writing: dict[DriveNumber, date] = {}
        """When a refresh of a drive last stopped short, for its siblings (I9)."""
        self.pulled: dict[DriveNumber, str] = {}
        """What is to be said of a drive that was pulled out; until it was written down."""
        self.vanished: dict[DriveNumber, Occupant] = {}
        """Drives that were let go and are gone; until that was written down."""
        self.verdicts: dict[DriveNumber, Verdict] = {}
        """What each drive's health said when people were told of it last."""
        self.verdicts_from: Sequence[ShelfRow] | None = None
        self._planner = Planner()
        self._stays: Mapping[DriveNumber, Stay] | None = None
        self._slips: Mapping[DriveNumber, Slip] | None = None
        self._rows: Sequence[ShelfRow] = ()
        self._rows_on: date | None = None  # when they were read; None: read them again
        self._planned: Sequence[PlannedVisit] = ()
        self._planned_from: tuple[Sequence[ShelfRow], Policy, date] | None = None

    # --- Time

    @property
    def now(self) -> datetime:
        """Return the time for the record."""
        return self.around.clock.now()

    @property
    def now_s(self) -> float:
        """Return the time of the clock that never jumps."""
        return self.around.clock.elapsed_s()

    @property
    def today(self) -> date:
        """Return the day, as it would be recorded now."""
        return self.now.date()

    @property
    def local_now(self) -> datetime:
        """Return the time on the server's clock on the wall."""
        return self.around.local(self.now)

    def wall(self, at_s: float) -> datetime:
        """Return when a moment of the clock that never jumps will be, or was.

        One that was stays in the past: taken for now, it would ring a bell that brings nothing,
        again and again.
        """
        return self.now + timedelta(seconds=at_s - self.now_s)

    # --- What is asked of it, and what is known

    @property
    def policy(self) -> Policy:
        """Return the policy in force."""
        return self.around.policy()

    def look_again(self) -> None:
        """Forget what was read of stays and slips: a worker or somebody else writes, too."""
        self._stays = self._slips = None

    def shelf_changed(self) -> None:
        """Forget all that was read, and plan again."""
        self.look_again()
        self._rows_on = None
        self.wants_prompt = True

    @property
    def stays(self) -> Mapping[DriveNumber, Stay]:
        """Return which drives are plugged in as far as the record knows."""
        if self._stays is None:
            self._stays = {stay.drive: stay for stay in self.around.ledger.stays()}
        return self._stays

    @property
    def slips(self) -> Mapping[DriveNumber, Slip]:
        """Return the open slips: of each drive at most one (T7 of refreshd.service_tally)."""
        if self._slips is None:
            self._slips = {slip.drive: slip for slip in self.around.ledger.slips()}
        return self._slips

    @property
    def rows(self) -> Sequence[ShelfRow]:
        """Return what planning needs of every drive, as it was when last something changed."""
        if self._rows_on != self.today:
            rows = self.around.ledger.shelf_rows()
            # Equal rows stay the same object, so that the plan of today is not made again.
            self._rows = self._rows if rows == self._rows else rows
            self._rows_on = self.today
        return self._rows

    def fresh_rows(self) -> Sequence[ShelfRow]:
        """Return what planning needs of every drive, read now."""
        self._rows_on = None
        return self.rows

    @property
    def planned(self) -> Sequence[PlannedVisit]:
        """Return the plan of today, the first to ask for first."""
        rows, policy, today = self.rows, self.policy, self.today
        made = self._planned_from
        if made is None or made[0] is not rows or made[1] is not policy or made[2] != today:
            self._planned = self._planner.plan(rows, policy, today)
            self._planned_from = (rows, policy, today)
        return self._planned

    def card(self, number: DriveNumber) -> DriveCard:
        """Return a drive's card, or raise UnknownDriveError."""
        return self.around.ledger.drive(number)

    @property
    def pause(self) -> Pause | None:
        """Return who asked that no pass runs; None also where that time is over."""
        pause = self.around.ledger.pause()
        if pause is None or (pause.until is not None and pause.until <= self.now):
            return None
        return pause

    # --- What it does

    def write(self, event: Event) -> Entry:
        """Write an event down (I5), and look again at what it changed."""
        entry = self.scribe.write(event)
        self.look_again()
        return entry

    def post(self, notice: Notice) -> None:
        """Tell people."""
        self.around.notices.post(notice)

    def send(self, one: Occupant, work: Work, act: Callable[[], None]) -> None:
        """Send a worker to a seat: never two to one seat."""
        require(one.work is None, f"{one.seat.node} has a worker already: two would write at once")
        require(not one.is_gone, f"{one.seat.node} is gone: another disk may sit there")
        one.work = work
        one.heard_s, one.is_hang_said = self.now_s, False
        one.retry_s = None
        act()
