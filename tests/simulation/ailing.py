"""The same world with drives that age, fail, get too hot or sit behind a silent dock."""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial

from refreshd.durations import Duration, add
from refreshd.events import HealthRead, PassBegun
from refreshd.health_cards import Measure
from refreshd.ports import Urgency
from refreshd.quantities import DriveNumber, PassKind
from refreshd.simulated.archivist import DAY_S
from refreshd.simulated.examiner import SimulatedExaminer
from refreshd.simulated.shelved import ShelvedDrive
from tests.simulation.world import BEGINS, Scenario, World

SUMMER = (7, 8)
FOUND_OUT_S = 60.0
"""So long a drive may be written to after it began to fail: the watch asks every 15 seconds."""

TOLD_DAYS = 2
TOLD_TIMES = 6
"""A drive gets worse twice at most, and is told of again after each of three outages."""


@dataclass(frozen=True)
class Ailments:
    """How many drives of a shelf have what."""

    fail_on_shelf: int = 4
    fail_in_pass: int = 3
    wear_out: int = 3  # "copy off and replace"
    age: int = 4  # "watch"
    run_hot: int = 5
    silent: int = 1


class AilingWorld(World):
    """One run. What went wrong with health is in `wrongs`, with all else."""

    def __init__(self, scenario: Scenario, ailments: Ailments) -> None:
        super().__init__(scenario)
        self.ailments = ailments
        interval = self.policy.defaults.health_interval
        self.interval: Duration | None = interval
        self.read_on: dict[DriveNumber, date] = {}
        self.reads: dict[DriveNumber, list[float]] = defaultdict(list)
        self.bad_since: dict[DriveNumber, date] = {}
        self.told: Counter[DriveNumber] = Counter()
        self.ever_bad: set[DriveNumber] = set()
        self.recovered: set[DriveNumber] = set()
        self.silent: set[DriveNumber] = set()
        self.hot: set[DriveNumber] = set()
        self._posts_seen = 0
        for drive in self.drives.values():
            drive.examiner = SimulatedExaminer()

    def _draw_mishaps(self) -> None:
        super()._draw_mishaps()
        asked = self.ailments
        ill = self.random.sample(list(self.drives.values()), 20)
        for drive in (ill.pop() for _ in range(asked.silent)):
            drive.examiner = SimulatedExaminer(silence="the dock passes no questions through")
            self.silent.add(drive.number)
        for drive in (ill.pop() for _ in range(asked.run_hot)):
            drive.is_too_hot = self._is_summer
            self.hot.add(drive.number)
        for count, act in (
            (asked.fail_on_shelf, self._fail),
            (asked.fail_in_pass, self._fail_in_pass),
            (asked.wear_out, self._wear_out),
            (asked.age, self._age),
        ):
            for drive in (ill.pop() for _ in range(count)):
                at_s = self.random.uniform(1.5, 0.8 * self.scenario.years) * 365 * DAY_S
                self.timeline.after(at_s, partial(act, drive))

    # What happens to drives

    def _is_summer(self) -> bool:
        return self.today().month in SUMMER

    def _fail(self, drive: ShelvedDrive) -> None:
        """Begin to fail, where it lies."""
        if self.bays.seat_of(drive.number) is not None:
            self.timeline.after(DAY_S, partial(self._fail, drive))
            return
        assert drive.examiner is not None
        drive.examiner.is_failing = True
        self.bays.room.failing_from_s[drive.number] = self.timeline.now_s

    @staticmethod
    def _fail_in_pass(drive: ShelvedDrive) -> None:
        drive.fails_in_pass = True

    @staticmethod
    def _wear_out(drive: ShelvedDrive) -> None:
        assert drive.examiner is not None
        drive.examiner.measures[Measure.MOVED_SECTORS] = 80

    @staticmethod
    def _age(drive: ShelvedDrive) -> None:
        assert drive.examiner is not None
        drive.examiner.measures[Measure.MOVED_SECTORS] = 8

    # What must be so

    def _take_note(self) -> None:
        for entry in self.ledger.entries[self._seen :]:
            event = entry.event
            if isinstance(event, HealthRead):
                self._note_reading(event)
            if isinstance(event, PassBegun) and event.pass_kind is PassKind.REFRESH:
                since = self.bad_since.get(event.drive)
                if since is not None and since < self.today():
                    self.wrongs.append(f"{self.today()}: {event.drive} is rewritten, bad {since}")
        for _, notice in self.board.posted[self._posts_seen :]:
            if notice.urgency is Urgency.ALARMS and "copy its content off" in notice.subject:
                self.told[DriveNumber(notice.subject.partition(":")[0])] += 1
        self._posts_seen = len(self.board.posted)
        super()._take_note()

    def _note_reading(self, event: HealthRead) -> None:
        self.read_on[event.drive] = self.today()
        self.reads[event.drive].append(self.timeline.now_s)
        health = self.ledger.drive(event.drive).health
        if health is not None and health.is_to_replace:
            self.bad_since.setdefault(event.drive, self.today())
            self.ever_bad.add(event.drive)
        elif self.bad_since.pop(event.drive, None) is not None:
            # It got no worse for long enough: it is rewritten again, and overdue at once.
            self.recovered.add(event.drive)
            limit = self.today() + timedelta(days=8)
            self._rewrite_limit[event.drive] = max(limit, self._rewrite_limit[event.drive])

    def _learn_truth(self) -> None:
        """Count a refresh that lay unfinished while nothing might be written from its end."""
        seen, read = self._done_seen, dict(self._read_limit)
        super()._learn_truth()
        for done in self.bays.room.done[seen:]:
            if done.drive in self.recovered and done.kind is PassKind.REFRESH:
                ended_on = (BEGINS + timedelta(seconds=done.ended_s)).date()
                self._rewrite_limit[done.drive] = self._limit(ended_on, Duration(years=3))
                self._read_limit[done.drive] = max(read[done.drive], self._read_limit[done.drive])

    def _inspect_shelf(self) -> None:
        super()._inspect_shelf()
        today = self.today()
        escalated = {slip.drive for slip in self.ledger.slips() if slip.is_escalated}
        for card in self.ledger.drives():
            number = card.number
            since = self.bad_since.get(number)
            is_old = since is not None and since + timedelta(days=TOLD_DAYS) < today
            if is_old and not self.told[number]:
                self.wrongs.append(f"{today}: nobody was told of {number}, bad since {since}")
            if self.interval is None or number in self.silent:
                continue
            asked_on = self.read_on.get(number, card.accessioned_on)
            limit = self._limit(asked_on, self.interval)
            is_late = today > limit + timedelta(days=1) and number not in escalated
            # Of a drive that waits for other things as well, people are told but once.
            if is_late and not self._was_said(number, min(limit, self._read_limit[number])):
                self.wrongs.append(f"{today}: {number} was not asked how it is by {limit}")

    def health_complaints(self) -> Iterator[str]:
        """Yield what went wrong with health in the whole run."""
        for one in self.bays.room.written:
            failing_s = self.bays.room.failing_from_s.get(one.drive)
            if failing_s is not None and one.to_s > failing_s + FOUND_OUT_S:
                yield f"{one.drive} was written to after it began to fail"
        for number, times in self.told.items():
            if times > TOLD_TIMES:
                yield f"people were told {times} times of {number}"
        yield from self._gaps()

    def _gaps(self) -> Iterator[str]:
        """Yield that drives are asked less often than the policy wants, in the mean."""
        if self.interval is None:
            return
        wanted = (add(date(2031, 1, 1), self.interval) - date(2031, 1, 1)).days
        gaps = [
            (later - earlier) / DAY_S
            for times in self.reads.values()
            for earlier, later in itertools.pairwise(times)
            if later - earlier > 10 * DAY_S  # another visit
        ]
        mean = sum(gaps) / max(1, len(gaps))
        if not 0.7 * wanted < mean < 1.06 * wanted:
            yield f"drives are asked every {mean:.0f} days in the mean, not {wanted}"
