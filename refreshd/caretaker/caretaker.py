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

How it works: each call takes in what is new and then goes one round (`_go_round`), which compares
what is with what should be and does what is missing. What could not be done, because a disk was
full or the clock is not believed, is therefore done in the next round, and nothing twice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from refreshd.cards import Slip, SlipState
from refreshd.caretaker import arrivals, leaving, outcomes, prompting, readings, visits
from refreshd.caretaker.bells import AT_LEAST_EVERY, NEVER, next_due
from refreshd.caretaker.by_hand import order_by_hand, stop_by_hand, stop_proving
from refreshd.caretaker.house import House
from refreshd.caretaker.occupants import Occupant, Work
from refreshd.caretaker.scribe import RETRY_S
from refreshd.caretaker.standing import status
from refreshd.caretaker.status import Status
from refreshd.caretaker.surroundings import Surroundings
from refreshd.errors import RefreshdError, RefusedError, UsageError
from refreshd.events import (
    CarePaused,
    CareResumed,
    ChannelFailed,
    NoticeDelivered,
    SlipReturned,
)
from refreshd.messages import (
    AnyMessage,
    Identified,
    IdentityUnclear,
    Moved,
    Released,
    ReleaseFailed,
    Said,
    VisitEnded,
    WorkerEnded,
)
from refreshd.ports import Seat, VisitOrder
from refreshd.quantities import DriveNumber

Listener = Callable[[Seat, DriveNumber | None, AnyMessage], None]
"""Hears each message of a worker after the caretaker did; None: not identified yet."""


class Caretaker:
    """Plans, prompts, lets drives be visited and lets them go."""

    def __init__(self, around: Surroundings) -> None:
        self._house = House(around)
        self._bell_at: datetime | None = None
        self._due_at: datetime | None = None
        self._shown: tuple[Slip, ...] | None = None
        self._is_to_say_again = True
        self._listeners: list[Listener] = []

    # --- What happens

    def started(self, seats: Sequence[Seat]) -> None:
        """Begin with what is plugged in: what left meanwhile is recorded, the rest identified."""
        for seat in seats:
            arrivals.take_in(self._house, seat, was_here=True)
        self._go_round()

    def arrived(self, seat: Seat) -> None:
        """Hear that a disk was plugged in. Twice for the same seat does no harm."""
        earlier = self._house.occupants.at(seat.node)
        if earlier is not None:
            if earlier.seat == seat:
                return
            self._unseat(earlier)  # Its leaving was not heard of.
        arrivals.take_in(self._house, seat, was_here=False)
        self._go_round()

    def left(self, seat: Seat) -> None:
        """Hear that a disk is gone. A seat that nobody knows does no harm."""
        one = self._house.occupants.at(seat.node)
        # A late word about the disk that sat there before must not unseat the one that sits there.
        if one is None or (one.seat != seat and seat.disk_sequence is not None):
            return
        self._unseat(one)
        self._go_round()

    def _unseat(self, one: Occupant) -> None:
        leaving.unplugged(self._house, one)
        self._house.occupants.unseated(one.seat.node)

    def heard(self, seat: Seat, message: AnyMessage) -> None:
        """Hear what a worker said, in its order."""
        one = self._house.occupants.speaker(seat)
        if one is None:
            return
        number = one.drive if one.run is None else one.run.order.number
        one.heard_s, one.is_hang_said = self._house.now_s, False
        self._take_in(one, message)
        if isinstance(message, WorkerEnded):
            self._go_round()
        for listener in tuple(self._listeners):
            listener(seat, one.drive or number, message)

    def _take_in(self, one: Occupant, message: AnyMessage) -> None:
        match message:
            case Moved() if one.run is not None:
                at_s = self._house.now_s
                one.run.progress.moved(at_s, message.done_bytes, message.of_bytes, message.doing)
            case VisitEnded() if one.run is not None:
                one.run.ended = message
            case Identified() | IdentityUnclear() if one.work is Work.IDENTIFY:
                arrivals.hear_identity(one, message)
            case Released() | ReleaseFailed() if one.work is Work.RELEASE:
                leaving.hear_release(one, message)
            case WorkerEnded():
                self._worker_ended(one, message)
            case Moved() | Said() | VisitEnded() | Identified() | IdentityUnclear():
                pass  # said while something else was asked of the worker
            case Released() | ReleaseFailed():
                pass  # likewise

    def _worker_ended(self, one: Occupant, message: WorkerEnded) -> None:
        work, one.work = one.work, None
        house = self._house
        if one.is_gone:
            house.occupants.forget(one)
        try:
            if work is Work.VISIT:
                outcomes.ended(house, one, message)
            elif one.is_gone:
                if work is Work.RELEASE:
                    leaving.vanished(house, one)
            elif work is Work.IDENTIFY:
                arrivals.identified(house, one, message)
            elif work is Work.RELEASE:
                leaving.release_ended(house, one, message)
            elif message.is_left:
                one.hanging = "it hangs while it is being put to rest"
        except RefreshdError as err:
            house.scribe.failed(err)

    # --- What time brings

    def bell(self) -> None:
        """Do all that time brings."""
        house = self._house
        is_due = self._due_at is None or house.now >= self._due_at
        if is_due or house.occupants.is_anybody or not house.scribe.may_write():
            self._go_round()
        else:
            self._bell_at = min(self._due_at or NEVER, house.now + AT_LEAST_EVERY)

    def next_bell(self) -> datetime | None:
        """Return when to ring at the latest, in UTC; None: before `started`."""
        return self._bell_at

    def _go_round(self) -> None:
        """Compare what is with what should be, and do what is missing."""
        house = self._house
        house.look_again()
        try:
            visits.stop_what_may_not_go_on(house)
            visits.watch_for_hangs(house)
            arrivals.try_again(house)
            if house.scribe.may_write():
                self._write_what_is_new()
        except RefreshdError as err:
            house.scribe.failed(err)
        self._set_bell()

    def _write_what_is_new(self) -> None:
        house = self._house
        self._end_pause()
        readings.tell_worse(house)
        leaving.write_departures(house)
        arrivals.write_down(house)
        self._begin_and_end()
        if self._is_to_say_again and not prompting.is_waiting_for_start(house):
            prompting.say_again(house)
            self._is_to_say_again = False
        if prompting.prompt(house):
            self._begin_and_end()
        prompting.offer(house)
        readings.begin_readings(house)
        leaving.rest_idle(house)
        leaving.remind_of_waiting(house)
        slips = tuple(house.slips.values())
        if slips != self._shown:
            self._shown = slips
            house.around.notices.show_slips(slips)

    def _begin_and_end(self) -> None:
        arrivals.answer_slips(self._house)
        visits.begin_wanted(self._house)
        leaving.settle_over(self._house)
        leaving.release_over(self._house)
        leaving.ask_to_put_away(self._house)

    def _end_pause(self) -> None:
        """Write down that the time that was set for a pause is over."""
        pause = self._house.around.ledger.pause()
        if pause is not None and self._house.pause is None:
            self._house.write(CareResumed(said_by="the time that was set"))

    def _set_bell(self) -> None:
        try:
            self._due_at = next_due(self._house)
        except RefreshdError as err:
            self._house.scribe.failed(err)
            self._due_at = self._house.now + timedelta(seconds=RETRY_S)
        self._bell_at = min(self._due_at, self._house.now + AT_LEAST_EVERY)

    # --- What people say

    def begin(self, order: VisitOrder) -> Seat:
        """
        Begin a pass by hand, of a drive that is here and idle; return where it is.

        A disk that rests or is being put to rest begins when that is done, in a moment.

        Raises:
            UnknownDriveError: No such drive is in care.
            RefusedError: It is not here, or something speaks against it, which is named.
        """
        seat = order_by_hand(self._house, order)
        self._go_round()
        return seat

    def stop(self, number: DriveNumber, by: str) -> None:
        """
        Stop a pass by hand at its next checkpoint. In this stay it is not begun again by itself.

        Raises:
            UsageError: No pass over this drive is under way or waits.
        """
        stop_by_hand(self._house, number, by)
        self._go_round()

    def stop_proving(self, node: str, by: str) -> None:
        """
        Stop a proving by hand at its next checkpoint.

        Raises:
            UsageError: No disk at this node is being proved, or waits for it.
        """
        stop_proving(self._house, node, by)
        self._go_round()

    def pause(self, by: str, until: datetime | None) -> None:
        """
        Let no pass run, until a moment (aware) or until somebody says otherwise.

        Raises:
            UsageError: The moment is not in the future.
            ClockError, RecordFailedError: It could not be recorded; passes under way go on.
        """
        if until is not None and until <= self._house.now:
            raise UsageError(
                f"a pause until {until:%Y-%m-%d %H:%M %Z} would be over already; it is "
                f"{self._house.now:%Y-%m-%d %H:%M} UTC now"
            )
        self._house.write(CarePaused(said_by=by, until=until))
        self._go_round()

    def resume(self, by: str) -> None:
        """
        Let passes run again.

        Raises:
            UsageError: Nothing is paused.
            ClockError, RecordFailedError: It could not be recorded.
        """
        if self._house.pause is None:
            raise UsageError("nothing is paused; `refreshd status` says what passes wait for")
        self._house.write(CareResumed(said_by=by))
        self._go_round()

    def returned(self, number: DriveNumber, by: str) -> None:
        """
        Hear that a drive lies in its place again.

        Raises:
            UsageError: Nobody was asked to put it away.
            RefusedError: It is plugged in.
            ClockError, RecordFailedError: It could not be recorded.
        """
        house = self._house
        house.look_again()
        card = house.card(number)
        if number in house.stays:
            raise RefusedError(
                f"{number} is still plugged in at {house.stays[number].place}; unplug it first"
            )
        slip = house.slips.get(number)
        if slip is None or slip.state is not SlipState.TO_PUT_AWAY:
            raise UsageError(
                f"nobody was asked to put {number} away, or that is settled already; "
                "`refreshd pull-list` lists the open slips"
            )
        how = f"{by} says that it lies in {card.shelfmark}"
        house.write(SlipReturned(drive=number, slip=slip.number, how=how))
        house.wants_prompt = True
        self._go_round()

    def policy_changed(self) -> None:
        """Hear that another policy is in force: plan again, and apply it to what is under way."""
        self._house.shelf_changed()
        self._go_round()

    def shelf_changed(self) -> None:
        """Hear that somebody else recorded something, or attested the clock: plan again."""
        self._house.scribe.try_now()
        self._house.shelf_changed()
        self._go_round()

    def note(self, event: NoticeDelivered | ChannelFailed) -> None:
        """Write down what became of a notice. What cannot be recorded now is said again later."""
        try:
            self._house.write(event)
        except RefreshdError:
            self._set_bell()  # The scribe has said it; a slip is only said once too often.

    def stopping(self) -> None:
        """Hear that the service ends: stop all passes at their checkpoints, begin nothing more."""
        self._house.is_ending = True
        self._go_round()

    @property
    def is_at_rest(self) -> bool:
        """Say whether no worker is out, so that the service may end."""
        return not self._house.occupants.busy()

    def status(self) -> Status:
        """Return how things stand. Reads the catalogue, records nothing."""
        return status(self._house, self._bell_at)

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Let a listener hear each message of a worker; call what is returned to end that."""
        self._listeners.append(listener)

        def end() -> None:
            if listener in self._listeners:
                self._listeners.remove(listener)

        return end
