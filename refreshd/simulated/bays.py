"""
Bays on a virtual clock: disks that are plugged in, and workers that take the time of real ones.

The fault model:

- A worker ends without a word in the middle (`Mishap.WORKER_DIES`), or says nothing any more and
  does not end until the disk is gone (`Mishap.HANGS`).
- A disk is pulled out in the middle, when it was not released.
- Chunks cannot be read (`bad_chunks`): findings, and the pass goes on.
- A disk does not say who it is any more (`is_dead`).
- A disk gets too hot in a pass, or says in the middle of one that it is failing; what it answers
  when it is asked how it is comes from its `examiner`.
- The server loses power: all workers are gone without a word, the disks stay where they are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial

from refreshd.cards import Presence
from refreshd.errors import RefreshdError, RefusedError, require
from refreshd.health_cards import Moment
from refreshd.messages import (
    AnyMessage,
    ErrorTold,
    Identified,
    IdentityUnclear,
    Released,
    VisitEnded,
    WorkerEnded,
    told,
)
from refreshd.passes.health_gate import take_reading
from refreshd.ports import Ledger, Seat, VisitOrder
from refreshd.quantities import DriveNumber, Outcome, PassKind
from refreshd.simulated.shelved import ShelvedDrive
from refreshd.simulated.timed_pass import PassRoom, TimedPass
from refreshd.simulated.timeline import Timeline

IDENTIFY_S = 8.0
RELEASE_S = 15.0
READING_S = 20.0
LOST_S = 1.0
_NODES = tuple(f"/dev/sd{letter}" for letter in "abcdefghijklmnopqrstuvwxyz")


@dataclass(slots=True)
class _Errand:
    """A short-lived worker: its messages are said when its time is over."""

    is_over: bool = False


@dataclass(slots=True)
class _Seated:
    seat: Seat
    drive: ShelvedDrive
    presence: Presence
    worker: TimedPass | _Errand | None = None
    is_asleep: bool = False


@dataclass
class SimulatedBays:
    """`ports.Bays`, and the hands that plug disks in and pull them out."""

    timeline: Timeline
    ledger: Ledger
    drives: Mapping[DriveNumber, ShelvedDrive]
    hear: Callable[[Seat, AnyMessage], None]
    _boots: int = 0
    _sequence: int = 0
    _at: dict[str, _Seated] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.room = PassRoom(self.timeline, self.ledger)

    # What hands do

    def plug_in(self, number: DriveNumber) -> Seat:
        """Plug a disk in, at the first node that is free."""
        require(self.seat_of(number) is None, f"{number} lies on the shelf when it is plugged in")
        node = next(name for name in _NODES if name not in self._at)
        return self._seat(node, self.drives[number])

    def _seat(self, node: str, drive: ShelvedDrive) -> Seat:
        self._sequence += 1
        presence = Presence(f"boot-{self._boots}", self._sequence)
        self._at[node] = _Seated(Seat(node, self._sequence), drive, presence)
        return self._at[node].seat

    def pull_out(self, seat: Seat) -> None:
        """Unplug a disk, whatever is going on."""
        worker = self._at.pop(seat.node).worker
        if isinstance(worker, TimedPass) and not worker.is_over:
            worker.lose_drive()
        elif worker is not None and not worker.is_over:
            worker.is_over = True
            self.timeline.after(LOST_S, lambda: self.hear(seat, WorkerEnded(exit_code=4)))

    def seat_of(self, number: DriveNumber) -> Seat | None:
        """Return where a drive is plugged in."""
        found = (one.seat for one in self._at.values() if one.drive.number == number)
        return next(found, None)

    def plugged_in(self) -> tuple[DriveNumber, ...]:
        """Return the drives that are plugged in."""
        return tuple(one.drive.number for one in self._at.values())

    def is_working(self, number: DriveNumber) -> bool:
        """Say whether a pass runs over a drive."""
        workers = (one.worker for one in self._at.values() if one.drive.number == number)
        return any(isinstance(one, TimedPass) and not one.is_over for one in workers)

    def lose_power(self) -> None:
        """Let the server go off: no worker says anything any more."""
        for seated in self._at.values():
            if isinstance(seated.worker, TimedPass):
                seated.worker.lose_power()
            elif seated.worker is not None:
                seated.worker.is_over = True

    def boot(self) -> tuple[Seat, ...]:
        """Let the server come up (again); return what is plugged in."""
        self._boots += 1
        self._sequence = 0
        return tuple(self._seat(node, seated.drive) for node, seated in self._at.copy().items())

    # What the caretaker asks for

    def identify(self, seat: Seat) -> None:
        """Find out which drive is at a seat."""
        self._send(seat, IDENTIFY_S, self._identity)

    def _identity(self, seated: _Seated) -> AnyMessage:
        if seated.drive.is_dead:
            message = f"{seated.seat.node} does not answer"
            error = ErrorTold(kind="DriveGoneError", message=message, exit_code=4)
            return IdentityUnclear(error=error)
        number, evidence = seated.drive.number, seated.drive.evidence
        known = number if self.ledger.drive(number).withdrawn_on is None else None
        return Identified(drive=known, evidence=evidence, presence=seated.presence)

    def visit(self, seat: Seat, order: VisitOrder) -> None:
        """Run a pass, or take a health reading."""
        if order.kind is PassKind.HEALTH:
            self._send(seat, READING_S, partial(self._reading, order))
            return
        seated = self._free(seat)
        if seated is not None:
            seated.is_asleep = False
            seated.worker = TimedPass(
                self.room, seated.drive, order, seated.presence, lambda said: self.hear(seat, said)
            )

    def _reading(self, order: VisitOrder, seated: _Seated) -> AnyMessage:
        """Take a health reading, unless the disk stands still and may."""
        drive, error, outcome = seated.drive, None, Outcome.SUCCESS
        lets_sleep = order.lets_sleep and seated.is_asleep
        if not lets_sleep:
            seated.is_asleep = False
            try:
                outcome = self._asked(drive)
            except RefreshdError as err:
                error, outcome = told(err), Outcome.FAIL
        return VisitEnded(
            drive=drive.number,
            pass_kind=PassKind.HEALTH,
            outcome=outcome,
            is_complete=error is None,
            findings=0,
            error=error,
            was_asleep=lets_sleep,
        )

    def _asked(self, drive: ShelvedDrive) -> Outcome:
        if drive.examiner is None:
            raise RefusedError(f"{drive.number} is no drive that could be asked about its health")
        clock = self.timeline.clock
        moment = Moment.BETWEEN
        return take_reading(self.ledger, clock, drive.number, drive.examiner, moment).outcome

    def stop(self, seat: Seat) -> None:
        """Ask the worker at a seat to stop at its next checkpoint."""
        seated = self._at.get(seat.node)
        if seated is not None and seated.seat == seat and isinstance(seated.worker, TimedPass):
            seated.worker.stop()

    def rest(self, seat: Seat) -> None:
        """Let the disk stop turning."""
        self._send(seat, RELEASE_S, self._fall_asleep)

    @staticmethod
    def _fall_asleep(seated: _Seated) -> None:
        seated.is_asleep = True

    def release(self, seat: Seat) -> None:
        """Flush and stop the disk."""
        self._send(seat, RELEASE_S, lambda _: Released(how="flushed, spun down, powered off"))

    def _send(
        self, seat: Seat, seconds: float, says: Callable[[_Seated], AnyMessage | None]
    ) -> None:
        seated = self._free(seat)
        if seated is None:
            return
        worker = seated.worker = _Errand()

        def end() -> None:
            if worker.is_over:
                return
            worker.is_over = True
            message = says(seated)
            if message is not None:
                self.hear(seat, message)
            self.hear(seat, WorkerEnded(exit_code=0))

        self.timeline.after(seconds, end)

    def _free(self, seat: Seat) -> _Seated | None:
        """Return what sits there; a worker for a disk that is gone meanwhile only ends."""
        seated = self._at.get(seat.node)
        if seated is None or seated.seat != seat:
            ended = WorkerEnded(exit_code=4, last_words=f"{seat.node}: no such disk")
            self.timeline.after(LOST_S, lambda: self.hear(seat, ended))
            return None
        is_free = seated.worker is None or seated.worker.is_over
        require(is_free, f"two workers were sent to {seat.node} at once")
        return seated
