"""A shelf, two bays, an archivist and the real caretaker, on a virtual clock, for twenty years.

The world knows the truth: the seconds that have really passed, whatever the server's clock says.
What it holds the caretaker to is worked out from the truth, never from the caretaker's own plan.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from random import Random

from refreshd.cards import Carrier, Evidence, Presence, ShelfRow, Slip, SlipState
from refreshd.caretaker import Caretaker, Surroundings
from refreshd.durations import Duration, add
from refreshd.errors import ClockError
from refreshd.events import (
    ClockAttested,
    DigestsRecorded,
    DriveAccessioned,
    DriveArrived,
    DriveLeft,
    DriveReleased,
    DriveWithdrawn,
    Entry,
    Event,
    PassBegun,
    PassEnded,
    PutAwayAsked,
    SlipAnswered,
    SlipIssued,
    SlipLapsed,
    SlipReminded,
    SlipReturned,
)
from refreshd.messages import AnyMessage
from refreshd.policy import Policy
from refreshd.ports import Clock, Notice, Seat, Urgency
from refreshd.quantities import DriveNumber, MediumKind, PassId, PassKind
from refreshd.simulated.archivist import DAY_S, Archivist, Habits
from refreshd.simulated.bays import SimulatedBays
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.disk import PowerLine
from refreshd.simulated.ledger import SimulatedLedger
from refreshd.simulated.shelved import Mishap, ShelvedDrive
from refreshd.simulated.timeline import Timeline
from refreshd.tally import add as add_entry

BEGINS = datetime(2031, 1, 6, tzinfo=UTC)  # a Monday
CHUNKS = 8
TB = 10**12
CLOCK_BEHIND_MAX = timedelta(seconds=5)


_ROWS_STAY = (
    DriveArrived, DriveLeft, DriveReleased, PutAwayAsked, SlipAnswered, SlipIssued, SlipLapsed,
    SlipReminded, SlipReturned,
)  # fmt: skip
"""Events of slips and stays, which change nothing of what planning needs."""


class YearsLedger(SimulatedLedger):
    """A ledger in memory that doubts the clock as the real one does, and keeps its rows."""

    def __init__(self, clock: Clock, leap_max: timedelta) -> None:
        super().__init__(clock, PowerLine())
        self._leap_max = leap_max
        self._kept: dict[DriveNumber, ShelfRow] = {}
        self._rows: tuple[date, tuple[ShelfRow, ...]] | None = None
        self.refused = 0

    def clock_doubt(self) -> str:
        """Return why the clock is not believed. The rule of `ShelfLedger`."""
        if not self.entries:
            return ""
        last, now = self.entries[-1].at, self._clock.now()
        if now < last - CLOCK_BEHIND_MAX:
            return "the clock is behind"
        return "the clock is far ahead" if now > last + self._leap_max else ""

    def record(self, event: Event) -> Entry:
        """Keep an event, unless the clock is in doubt."""
        doubt = self.clock_doubt()
        if doubt and not isinstance(event, ClockAttested):
            self.refused += 1
            raise ClockError(doubt)
        entry = super().record(event)
        if event.drive is not None and not isinstance(event, _ROWS_STAY):
            self._kept.pop(event.drive, None)
            self._rows = None
        return entry

    def apply(
        self, entries: Sequence[Entry], before_commit: Callable[[], None] | None = None
    ) -> None:
        """Add entries up in place: no power fails here, and nothing is to be taken back."""
        for entry in entries:
            add_entry(entry, self._held)

    def shelf_rows(self) -> tuple[ShelfRow, ...]:
        """Return what planning needs; the same of one day, until something changed."""
        today = self._clock.now().date()
        if self._rows is None or self._rows[0] != today:
            cards = self.drives()
            for card in cards:
                if card.number not in self._kept:
                    self._kept[card.number] = self._row(card, self.findings(card.number))
            self._rows = (today, tuple(self._kept[card.number] for card in cards))
        return self._rows[1]


@dataclass
class Board:
    """A notice board that remembers."""

    timeline: Timeline
    posted: list[tuple[float, Notice]] = field(default_factory=list)
    page: Sequence[Slip] = ()

    def post(self, notice: Notice) -> None:
        """Keep a notice."""
        self.posted.append((self.timeline.now_s, notice))

    def show_slips(self, slips: Sequence[Slip]) -> None:
        """Hang up the page."""
        self.page = tuple(slips)


@dataclass(frozen=True)
class Off:
    """A time in which the server is off; then its clock may be wrong until somebody looks."""

    on_day: int
    days: int
    clock_off_by: timedelta = timedelta(0)
    noticed_after_days: int = 0
    is_attested: bool = False  # the clock is right, and somebody says so


@dataclass(frozen=True)
class Scenario:
    """What is drawn for one run."""

    seed: int
    drives: int = 200
    years: int = 20
    policy: dict[str, object] = field(default_factory=dict)
    outages: tuple[Off, ...] = ()
    habits: Habits = field(default_factory=Habits)
    mishaps_a_year: int = 6
    deaths: int = 3


class World:
    """One run. `run` goes through the years; then the lists hold what happened."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.random = Random(scenario.seed)
        self.policy = Policy.model_validate({"visits": {"bays": 2}, **scenario.policy})
        self.clock = SimulatedClock(time=BEGINS)
        self.timeline = Timeline(self.clock)
        leap = (add(date(2001, 1, 1), self.policy.clock.leap_max) - date(2001, 1, 1)).days
        self.ledger = YearsLedger(self.clock, timedelta(days=leap))
        self.board = Board(self.timeline)
        self.drives = self._shelve()
        self.bays = SimulatedBays(self.timeline, self.ledger, self.drives, self._heard)
        self.is_on = False
        self.caretaker: Caretaker | None = None
        self.around = Surroundings(
            ledger=self.ledger,
            clock=self.clock,
            bays=self.bays,
            notices=self.board,
            policy=lambda: self.policy,
            local=lambda moment: moment,
            is_on_battery=lambda: False,
            battery_every_s=None,
        )
        self.archivist = Archivist(
            self.timeline,
            self.bays,
            Random(scenario.seed + 1),
            scenario.habits,
            ports=self.policy.visits.bays,
            all_drives=tuple(self.drives),
            is_server_on=lambda: self.is_on,
            caretaker=self._mind,
            slips=lambda: self.board.page,
        )
        self.wrongs: list[str] = []
        self.well_since_s = 0.0
        self.arrived: Counter[tuple[int, int]] = Counter()
        self.asking_max = 0
        self._came_unasked: set[DriveNumber] = set()
        self.bells = 0
        self._seen = len(self.ledger.entries)
        self._done_seen = self._idle_days = 0
        cards = self.ledger.drives()
        self._due = {one.number: add(one.accessioned_on, Duration(years=1)) for one in cards}
        self._read_limit = {
            one.number: self._limit(one.accessioned_on, Duration(years=1)) for one in cards
        }
        self._rewrite_limit = {
            one.number: self._limit(one.claimed_written_on or one.accessioned_on, Duration(years=3))
            for one in cards
        }
        self._dead_seen: dict[DriveNumber, float] = {}

    # The shelf

    def _shelve(self) -> dict[DriveNumber, ShelvedDrive]:
        """Take drives into care, bought in four lots; some hold copies of the same content."""
        found = {}
        for at in range(self.scenario.drives):
            number = DriveNumber(f"K{at:03}")
            lot = at * 4 // self.scenario.drives
            size = (2, 4, 4, 6)[lot] * TB
            claimed = BEGINS.date() - timedelta(days=(0, 0, 250, 700)[lot])
            pair = f"content {at // 2}" if at % 10 < 2 else None
            triple = (f"ext4:shared-{at // 3}",) if 150 <= at < 180 else (f"ext4:own-{at}",)
            evidence = Evidence(
                Carrier.BLOCK, size, 512, 4096, serial=f"S{at:05}", signatures=triple,
                has_own_names=True,
            )  # fmt: skip
            found[number] = ShelvedDrive(number, evidence, self.random.randint(110, 190) * 10**6)
            for event in _taken_in(number, evidence, claimed, pair):
                self.ledger.record(event)
        return found

    # The server

    def _mind(self) -> Caretaker:
        assert self.caretaker is not None
        return self.caretaker

    def _heard(self, seat: Seat, message: AnyMessage) -> None:
        if self.caretaker is not None:
            self.caretaker.heard(seat, message)

    def turn_on(self) -> None:
        """Start the service on what is plugged in."""
        self.is_on = True
        self.caretaker = Caretaker(self.around)
        self.caretaker.started(self.bays.boot())
        self.well_since_s = self.timeline.now_s

    def turn_off(self) -> None:
        """Pull the server's plug."""
        self.bays.lose_power()
        self.is_on, self.caretaker = False, None

    def _outage(self, off: Off) -> None:
        self.turn_off()
        self.timeline.after(off.days * DAY_S, lambda: self._back(off))

    def _back(self, off: Off) -> None:
        self.clock.time += off.clock_off_by
        self.turn_on()
        self.timeline.after(off.noticed_after_days * DAY_S, lambda: self._look_at_clock(off))

    def _look_at_clock(self, off: Off) -> None:
        self.clock.time -= off.clock_off_by
        if off.is_attested:
            self.ledger.record(ClockAttested(said_by="administrator"))
        self.well_since_s = self.timeline.now_s
        self._mind().bell()

    # Time

    def today(self) -> date:
        """Return the true day."""
        return (BEGINS + timedelta(seconds=self.timeline.now_s)).date()

    def run(self, days: float | None = None) -> None:
        """Let the years pass, or only so many days of them."""
        for off in self.scenario.outages:
            self.timeline.after(off.on_day * DAY_S, partial(self._outage, off))
        self._draw_mishaps()
        self.archivist.begin()
        self.timeline.after(DAY_S - 3600, self._inspect)
        self.turn_on()
        end_s = (days or self.scenario.years * 365.25) * DAY_S
        while self.timeline.now_s < end_s:
            self._step(end_s)

    def _step(self, end_s: float) -> None:
        next_s = min(self.timeline.next_s() or end_s, end_s)
        bell = None if self.caretaker is None else self.caretaker.next_bell()
        if bell is not None:
            wait_s = (bell - self.clock.now()).total_seconds()
            bell_s = self.timeline.now_s + max(1.0, wait_s)
            if bell_s < next_s:
                self.timeline.go_to(bell_s)
                self.bells += 1
                self._mind().bell()
                self._take_note()
                return
        self.timeline.go_to(next_s)
        self._take_note()

    def _take_note(self) -> None:
        """Look at what was recorded since the last look."""
        day = self.today()
        month = (day.year, day.month)
        truth = BEGINS + timedelta(seconds=self.timeline.now_s + 1)
        for entry in self.ledger.entries[self._seen :]:
            if entry.at > truth:
                self.wrongs.append(f"{day}: {entry.label} is dated {entry.at}, after the truth")
            self.arrived[month] += isinstance(entry.event, DriveArrived)
            if isinstance(entry.event, SlipIssued):
                self._count_asking(entry.event.drive)
        self._seen = len(self.ledger.entries)

    def _count_asking(self, number: DriveNumber) -> None:
        """Count the drives that are asked for and not put away yet.

        One that came unasked, and is due, gets a slip as well: nobody is to fetch that. One that
        nobody brought twice over, though it escalated, does not keep its bay.
        """
        if self.bays.seat_of(number) is not None:
            self._came_unasked.add(number)
            return
        self._came_unasked.discard(number)
        asking = [
            slip
            for slip in self.ledger.slips()
            if slip.state in {SlipState.ISSUED, SlipState.ANSWERED}
            and slip.drive not in self._came_unasked
            and not (slip.reissue_of is not None and slip.is_escalated)
        ]
        self.asking_max = max(self.asking_max, len(asking))

    # What goes wrong

    def _draw_mishaps(self) -> None:
        years = self.scenario.years
        numbers = list(self.drives)
        for _ in range(self.scenario.mishaps_a_year * years):
            at_s = self.random.uniform(0, years * 365 * DAY_S)
            drive = self.drives[self.random.choice(numbers)]
            kind = self.random.choice(list(Mishap))
            self.timeline.after(at_s, partial(setattr, drive, "mishap", kind))
        for drive in self.random.sample(list(self.drives.values()), self.scenario.drives // 40):
            at_s = self.random.uniform(0, years * 365 * DAY_S)
            bad = frozenset({self.random.randrange(CHUNKS)})
            self.timeline.after(at_s, partial(setattr, drive, "bad_chunks", bad))
        for drive in self.random.sample(list(self.drives.values()), self.scenario.deaths):
            at_s = self.random.uniform(0, years * 365 * DAY_S)
            self.timeline.after(at_s, partial(self._die, drive))

    @staticmethod
    def _die(drive: ShelvedDrive) -> None:
        drive.is_dead = True

    def _bury(self) -> None:
        """Take drives out of care that did not answer for two weeks."""
        for number, drive in self.drives.items():
            if not drive.is_dead or self.ledger.drive(number).withdrawn_on:
                continue
            if self.bays.seat_of(number) is not None:
                self._dead_seen.setdefault(number, self.timeline.now_s)
            seen_s = self._dead_seen.get(number)
            if seen_s is not None and self.timeline.now_s > seen_s + 14 * DAY_S:
                self.ledger.record(DriveWithdrawn(drive=number, reason="it does not answer"))
                self._mind().shelf_changed()

    # What must be so

    def _inspect(self) -> None:
        """Look at the shelf once a day, with the eyes of somebody who knows the truth."""
        self.timeline.after(DAY_S, self._inspect)
        is_well = self.is_on and not self.ledger.clock_doubt()
        if not is_well or self.timeline.now_s < self.well_since_s + 2 * DAY_S:
            return
        self._bury()
        self._inspect_shelf()
        self._inspect_waiting()

    def _inspect_shelf(self) -> None:
        """Note drives that passed interval and grace without an escalation."""
        today = self.today()
        self._learn_truth()
        escalated = {slip.drive for slip in self.ledger.slips() if slip.is_escalated}
        for card in self.ledger.drives():
            number = card.number
            limit = self._read_limit[number]
            if card.hold is None and not card.is_to_replace:
                limit = min(limit, self._rewrite_limit[number])
            if today <= limit + timedelta(days=1) or number in escalated:
                continue
            if not self._was_said(number, limit):
                self.wrongs.append(f"{today}: {number} passed {limit} without an escalation")

    def _was_said(self, number: DriveNumber, limit: date) -> bool:
        """Say whether people were told of this drive, a week ahead at the earliest."""
        from_s = (datetime.combine(limit, time(0, 0), UTC) - BEGINS).total_seconds() - 8 * DAY_S
        for at_s, notice in reversed(self.board.posted):
            if at_s < from_s:
                return False
            if notice.urgency is Urgency.ESCALATIONS and number in notice.subject + notice.body:
                return True
        return False

    def _inspect_waiting(self) -> None:
        """Note days on which drives wait although somebody could bring them.

        What is due waits its turn while the rate of catching up is in use, or all bays are.
        """
        has_slip = {slip.drive for slip in self.ledger.slips()}
        long_ago = self.today() - timedelta(days=21)
        waiting = [
            card.number
            for card in self.ledger.drives()
            if card.number not in has_slip and self._due[card.number] < long_ago
        ]
        taken = len(has_slip | set(self.bays.plugged_in()))
        month_s = self.timeline.now_s - 30 * DAY_S
        done = sum(1 for one in self.bays.room.done[-60:] if one.ended_s > month_s)
        is_idle = taken < self.policy.visits.bays and done < 0.8 * self.scenario.drives / 12
        self._idle_days = self._idle_days + 1 if waiting and is_idle else 0
        if self._idle_days > 3:
            self.wrongs.append(f"{self.today()}: {waiting[0]} waits, is not asked for, bays idle")

    def _learn_truth(self) -> None:
        """Work out until when each drive is in order, from what was really done with it."""
        for done in self.bays.room.done[self._done_seen :]:
            day = (BEGINS + timedelta(seconds=done.began_s)).date()
            self._read_limit[done.drive] = self._limit(day, Duration(years=1))
            self._due[done.drive] = add(day, Duration(years=1))
            if done.kind is PassKind.REFRESH:
                self._rewrite_limit[done.drive] = self._limit(day, Duration(years=3))
        self._done_seen = len(self.bays.room.done)

    def _limit(self, counted: date, interval: Duration) -> date:
        return add(add(counted, interval), self.policy.slips.grace)


def _taken_in(
    number: DriveNumber, evidence: Evidence, claimed: date, holding: str | None
) -> list[Event]:
    pass_id = PassId(f"{number}/1")
    return [
        DriveAccessioned(
            drive=number,
            shelfmark=f"R1-{number}",
            title="Soundings of the harbour",
            medium=MediumKind.HARD_DISK,
            evidence=evidence,
            chunk_bytes=evidence.size_bytes // CHUNKS,
            claimed_written_on=claimed,
            holding=holding,
        ),
        PassBegun(
            drive=number, pass_id=pass_id, pass_kind=PassKind.ACCESSION,
            presence=Presence(), segment_chunks=1,
        ),
        DigestsRecorded(
            drive=number, pass_id=pass_id, first_chunk=0, digests=b"\7" * 16 * CHUNKS
        ),
        PassEnded(
            drive=number, pass_id=pass_id, pass_kind=PassKind.ACCESSION, reached_end=True,
            checked_on=BEGINS.date(), findings=0,
        ),
    ]  # fmt: skip
