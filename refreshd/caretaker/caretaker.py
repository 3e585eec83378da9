"""
The caretaker of the shelf: hears what happens, decides, and says what is to be done.

It is called by one thread, one call at a time; every call returns at once. What it knows for
longer than one stay of a drive is in the ledger (I5), so that a new one goes on where the last
one ended. The very same object runs in the service and in the simulation of twenty years.

Whoever runs it:

1. makes one, calls `started` once with what is plugged in;
2. tells it `arrived`, `left` and, for each line of a worker, `heard`;
3. after each call asks `next_bell`, and rings `bell` at the latest then. Ringing earlier or more
   often than needed does no harm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

from refreshd.caretaker.status import Status
from refreshd.caretaker.surroundings import Surroundings
from refreshd.messages import AnyMessage
from refreshd.ports import Seat, VisitOrder
from refreshd.quantities import DriveNumber

Listener = Callable[[Seat, DriveNumber | None, AnyMessage], None]
"""Hears each message of a worker after the caretaker did; None: not identified yet."""


class Caretaker:
    """Plans, prompts, lets drives be visited and lets them go."""

    def __init__(self, around: Surroundings) -> None:
        self._around = around

    def started(self, seats: Sequence[Seat]) -> None:
        """Begin with what is plugged in now: what left meanwhile is recorded, the rest identified."""
        raise NotImplementedError

    def arrived(self, seat: Seat) -> None:
        """Hear that a disk was plugged in. Twice for the same seat does no harm."""
        raise NotImplementedError

    def left(self, seat: Seat) -> None:
        """Hear that a disk is gone. A seat that nobody knows does no harm."""
        raise NotImplementedError

    def heard(self, seat: Seat, message: AnyMessage) -> None:
        """Hear what a worker said, in its order."""
        raise NotImplementedError

    def bell(self) -> None:
        """Do all that time brings."""
        raise NotImplementedError

    def next_bell(self) -> datetime | None:
        """Return when to ring at the latest, in UTC; None: before `started`."""
        raise NotImplementedError

    def begin(self, order: VisitOrder) -> Seat:
        """
        Begin a pass by hand, of a drive that is here and idle; return where it is.

        Raises:
            UnknownDriveError: No such drive is in care.
            RefusedError: It is not here, or something speaks against it, which is named.
        """
        raise NotImplementedError

    def stop(self, number: DriveNumber, by: str) -> None:
        """
        Stop a pass by hand at its next checkpoint. In this stay it is not begun again by itself.

        Raises:
            UsageError: No pass over this drive is under way.
        """
        raise NotImplementedError

    def pause(self, by: str, until: datetime | None) -> None:
        """
        Let no pass run, until a moment (aware) or until somebody says otherwise.

        Raises:
            UsageError: The moment is not in the future.
            ClockError, RecordFailedError: It could not be recorded; passes under way go on.
        """
        raise NotImplementedError

    def resume(self, by: str) -> None:
        """
        Let passes run again.

        Raises:
            UsageError: Nothing is paused.
            ClockError, RecordFailedError: It could not be recorded.
        """
        raise NotImplementedError

    def returned(self, number: DriveNumber, by: str) -> None:
        """
        Hear that a drive lies in its place again.

        Raises:
            UsageError: Nobody was asked to put it away.
            RefusedError: It is plugged in.
            ClockError, RecordFailedError: It could not be recorded.
        """
        raise NotImplementedError

    def policy_changed(self) -> None:
        """Hear that another policy is in force: plan again, and apply it to what is under way."""
        raise NotImplementedError

    def shelf_changed(self) -> None:
        """Hear that somebody else recorded something: plan again at the next bell, which is due."""
        raise NotImplementedError

    def stopping(self) -> None:
        """Hear that the service ends: stop all passes at their checkpoints, begin nothing more."""
        raise NotImplementedError

    @property
    def is_at_rest(self) -> bool:
        """Say whether no worker is out, so that the service may end."""
        raise NotImplementedError

    def status(self) -> Status:
        """Return how things stand. Reads the catalogue, records nothing."""
        raise NotImplementedError

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Let a listener hear each message of a worker; call what is returned to end that."""
        raise NotImplementedError
