"""What the loop does for the caretaker: carries words to it, and looks after what it wants next."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field

from refreshd.adapters.care_marks import keep_marks
from refreshd.adapters.journald import FIELDS_KEY, LogFields
from refreshd.adapters.systemd_notify import Notifier
from refreshd.adapters.worker_processes import WorkerProcesses
from refreshd.caretaker import Caretaker
from refreshd.daemon.bells import Bells
from refreshd.daemon.narration import status_sentence
from refreshd.errors import RefreshdError
from refreshd.events import Entry
from refreshd.messages import AnyMessage
from refreshd.ports import Clock, Seat
from refreshd.quantities import Outcome
from refreshd.telling.journal import sentence
from refreshd.wiring.shelf import Shelf
from refreshd.wiring.station import Station

LOG = logging.getLogger("refreshd")

MARKS = "in-care"
"""Folder of the marks for the udev rule, see `systemd/65-refreshd.rules`."""

_LEVELS = {
    Outcome.SUCCESS: logging.INFO,
    Outcome.WARNING: logging.WARNING,
    Outcome.FAIL: logging.ERROR,
}

MARKS_EVERY_S = 60.0
CLOCK_STEP_S = 30.0
TICK_S = 5.0
"""How often the loop looks whether somebody else recorded something; a step of the clock, and a
bell that somebody's request brought forward, are noticed as soon."""


@dataclass
class HouseKeeping:
    """
    What is done beside the caretaker's own work. All of it in the loop.

    Args:
        shelf: The record.
        station: With the policy in force.
        caretaker: Who decides.
        bays: The workers.
        bells: When the caretaker is rung.
        notifier: Who is told how the service is.

    """

    shelf: Shelf
    station: Callable[[], Station]
    caretaker: Caretaker
    bays: WorkerProcesses
    bells: Bells
    notifier: Notifier
    complaint: str = ""  # what is wrong beside what the caretaker knows
    _seen: int = 0  # the last record that the caretaker knows of
    _marked: int = -1  # the last record when the marks were made
    _marked_s: float = field(default=-MARKS_EVERY_S)
    _said: str = ""
    _ahead_s: float | None = None  # how far the time for the record is ahead of the other clock
    _is_stale: bool = True  # the status may have changed since it was said

    def begin(self) -> None:
        """Begin to hear what is recorded here."""
        self.shelf.ledger.hear = self._recorded
        last = self.shelf.journal.head()
        self._seen = 0 if last is None else last.sequence
        self._keep_marks()

    def arrived(self, seat: Seat) -> None:
        """Carry the word of a disk that was plugged in."""
        self.caretaker.arrived(seat)
        self.settle()

    def left(self, seat: Seat) -> None:
        """Carry the word of a disk that is gone."""
        self.caretaker.left(seat)
        self.settle()

    def heard(self, seat: Seat, message: AnyMessage) -> None:
        """Carry the word of a worker."""
        self.caretaker.heard(seat, message)
        self.settle()

    def ring(self) -> None:
        """Ring the bell."""
        self.caretaker.bell()
        self.settle()

    def tick(self) -> None:
        """Look after what nobody brings word of."""
        self._look_at_record()
        bell = self.caretaker.next_bell()
        is_set = self._was_clock_set()
        if is_set or (bell is not None and bell <= self._clock.now()):
            self.caretaker.bell()  # Or a request brought the bell forward.
            self._is_stale = True
        self.bells.set(self.caretaker.next_bell())
        if self._is_stale or not self.caretaker.is_at_rest:
            self.say_status()

    def _was_clock_set(self) -> bool:
        """Say whether the clock jumped since the last look; back, no bell would ring for years."""
        ahead_s = self._clock.now().timestamp() - self._clock.elapsed_s()
        before_s, self._ahead_s = self._ahead_s, ahead_s
        return before_s is not None and abs(ahead_s - before_s) > CLOCK_STEP_S

    def settle(self) -> None:
        """Set the bell anew, after whatever the caretaker was told; the status follows soon."""
        self._is_stale = True
        self.bells.set(self.caretaker.next_bell())

    def say_status(self) -> None:
        """Say how the service is."""
        self._is_stale = False
        try:
            sentence = status_sentence(self.caretaker.status(), self.complaint)
        except RefreshdError as err:
            sentence = f"ALARM: {err}"
        if sentence != self._said:
            self._said = sentence
            self.notifier.status(sentence)

    @property
    def _clock(self) -> Clock:
        return self.station().clock

    def _look_at_record(self) -> None:
        """Let the caretaker know when somebody else recorded something."""
        try:
            last = self.shelf.journal.head()
        except RefreshdError as err:
            LOG.error("%s", err)  # noqa: TRY400 - news about the world; its sentence says it all.
            return
        sequence = 0 if last is None else last.sequence
        if sequence != self._seen and self.bays.is_idle:
            self._seen = sequence
            self.caretaker.shelf_changed()
            self._is_stale = True
        if sequence != self._marked and self._clock.elapsed_s() - self._marked_s >= MARKS_EVERY_S:
            self._marked = sequence
            self._keep_marks()

    def _keep_marks(self) -> None:
        """Bring the marks for the udev rule up to date. Without them a drive is only mounted."""
        self._marked_s = self._clock.elapsed_s()
        evidence = [card.evidence for card in self.shelf.ledger.drives()]
        try:
            keep_marks(self.station().state / MARKS, evidence)
        except OSError as err:
            LOG.warning("the marks for udev could not be made: %s", err)

    def _recorded(self, entry: Entry) -> None:
        self._seen = max(self._seen, entry.sequence)
        event = entry.event
        drive = getattr(event, "drive", None)
        about = LogFields(kind=event.kind, drive=drive)
        which = f"{drive}: " if drive else ""
        LOG.log(_LEVELS[event.outcome], "%s%s", which, sentence(event), extra={FIELDS_KEY: about})
