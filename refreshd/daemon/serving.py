"""The whole life of the service: from the lock to the last checkpoint."""

from __future__ import annotations

import asyncio
import gc
import logging
import signal
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from refreshd.adapters.arrival import Arrivals
from refreshd.adapters.daemon_lock import DaemonLock
from refreshd.adapters.notice_outbox import NoticeOutbox, Pages, Told
from refreshd.adapters.power import has_battery, is_on_battery
from refreshd.adapters.state_directory import make_state_directory
from refreshd.adapters.systemd_notify import Notifier
from refreshd.adapters.worker_processes import Patience, WorkerProcesses, WorkerSetting
from refreshd.api.office import Office
from refreshd.api.server import ApiServer
from refreshd.cards import Slip
from refreshd.caretaker import Caretaker, Surroundings
from refreshd.daemon.bells import Bells
from refreshd.daemon.house_keeping import TICK_S, HouseKeeping
from refreshd.daemon.narration import LoggedBoard, narrate
from refreshd.daemon.policy_in_force import (
    PolicyInForce,
    PolicySource,
    read_policy,
    read_policy_anew,
)
from refreshd.errors import InvariantBrokenError, PolicyError, RefreshdError
from refreshd.messages import AnyMessage
from refreshd.ports import Clock, Notice, Seat, Urgency
from refreshd.slip_words import Sheet
from refreshd.telling.notices import slip_pages
from refreshd.wiring.notices import ways_out
from refreshd.wiring.shelf import Shelf, shelf_for_writing
from refreshd.wiring.station import Station

LOG = logging.getLogger("refreshd")

STOP_S_MAX = 900.0
"""So long a stop waits for checkpoints. Each is asked for again of systemd, see `EXTEND_S`."""

EXTEND_S = 30.0
EXTEND_EVERY_S = 10.0
API_END_S_MAX = 10.0
NOTICES_S_MAX = 5.0
LOCK_WAIT_S = 10.0
"""How long the loop may stand still for another process that records something: well below the 30 s
after which systemd takes the service for dead. What could not be recorded is tried again."""


@dataclass(frozen=True, slots=True)
class Wish:
    """
    How the service is to run.

    Args:
        state: The state directory.
        policy: Where the policy comes from.
        socket: Where it listens; None: nowhere.
        loops_of: Take loop devices for disks, too, if their files lie in this folder.
        stop_s: How long a stop waits for checkpoints.
        patience: How long workers are waited for.

    """

    state: Path
    policy: PolicySource
    socket: Path | None
    loops_of: Path | None = None
    stop_s: float = STOP_S_MAX
    patience: Patience = field(default_factory=Patience)


class _Bystander:
    """`ports.Attendant` of a service: what is said beside an answer goes to the log."""

    def wants_stop(self) -> bool:
        """Stop nothing: passes run in workers."""
        return False

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Leave it."""

    def said(self, sentence: str) -> None:
        """Log it."""
        LOG.info("%s", sentence)


def serve(wish: Wish, clock: Clock, notifier: Notifier, leave: Callable[[int], None]) -> None:
    """
    Run the service until it is asked to stop.

    Args:
        wish: How it is to run.
        clock: Its clock.
        notifier: Who is told how it is.
        leave: Ends the process at once, after a fault of ours: nothing more is done then, and
            what would be waited for might never come.

    Raises:
        PolicyError: The policy cannot be used.
        RefusedError: Another daemon serves here, or the record cannot be opened.
        InvariantBrokenError: A promise of the program does not hold.

    """
    policy = read_policy(wish.policy)
    make_state_directory(wish.state)
    station = Station(wish.state, policy.loaded, clock, _Bystander())
    with DaemonLock(wish.state), shelf_for_writing(station, LOCK_WAIT_S) as shelf:
        service = _Service(wish, station, policy, shelf, notifier)
        try:
            asyncio.run(service.run(leave))
        finally:
            notifier.stopping()
    LOG.info("Stopped.")


class _Service:
    """The service while its loop runs."""

    def __init__(
        self,
        wish: Wish,
        station: Station,
        policy: PolicyInForce,
        shelf: Shelf,
        notifier: Notifier,
    ) -> None:
        self._wish = wish
        self._station = station
        self._policy = policy
        self._shelf = shelf
        self._notifier = notifier
        self._end = asyncio.Event()
        self._hurry = asyncio.Event()
        self._fault: BaseException | None = None

    async def run(self, leave: Callable[[int], None]) -> None:
        """Begin, serve, stop."""
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(self._failed)
        with ExitStack() as opened:
            self._begin(opened)
            serving = self._serve_api()
            ticking = asyncio.ensure_future(self._tick())
            await self._end.wait()
            ticking.cancel()
            if self._fault is not None:
                # The workers see their stdin end, and stop at their checkpoints.
                leave(InvariantBrokenError.exit_code)
                raise self._fault
            await self._stop()
            await self._end_api(serving)

    # --- Begin

    def _begin(self, opened: ExitStack) -> None:
        clock = self._station.clock
        self._bays = WorkerProcesses(self._setting, self._heard, self._wish.patience)
        ledger = self._shelf.ledger
        self._outbox = NoticeOutbox(clock, self._delivered, ledger.deliveries(), self._pages)
        self._outbox.use(*ways_out(self._policy.loaded.policy.notices))
        opened.callback(self._outbox.close, NOTICES_S_MAX)
        self._caretaker = Caretaker(self._surroundings())
        self._caretaker.listen(narrate)
        self._server = self._bound(opened)
        bells = Bells(self._guarded(self._ring))
        opened.callback(bells.close)
        self._keeping = HouseKeeping(
            self._shelf, lambda: self._station, self._caretaker, self._bays, bells, self._notifier
        )
        self._keeping.begin()
        self._tell_policy()
        self._listen_to_signals()
        arrivals = Arrivals(self._arrived, self._left, self._wish.loops_of)
        opened.callback(arrivals.close)
        self._caretaker.started(arrivals.begin())
        bells.start()
        self._keeping.settle()
        self._keeping.say_status()
        gc.collect()
        gc.freeze()  # What is there now stays; only what comes is looked through.
        self._notifier.ready()
        LOG.info("Ready: %s is served.", self._wish.state)

    def _surroundings(self) -> Surroundings:
        return Surroundings(
            ledger=self._shelf.ledger,
            clock=self._station.clock,
            bays=self._bays,
            notices=LoggedBoard(self._outbox),
            policy=lambda: self._policy.loaded.policy,
            local=lambda moment: moment.astimezone(),
            is_on_battery=is_on_battery,
            battery_every_s=60.0 if has_battery() else None,
        )

    def _setting(self) -> WorkerSetting:
        policy = self._policy
        place = None if policy.text is None else policy.place
        return WorkerSetting(self._wish.state, place, policy.text)

    def _bound(self, opened: ExitStack) -> ApiServer | None:
        """Make the socket before any drive is looked at: two services must not both begin."""
        if self._wish.socket is None:
            return None
        office = Office(lambda: self._station, self._caretaker, self._wish.policy.place)
        server = ApiServer(self._wish.socket, office)
        server.bind()
        opened.callback(server.close)
        return server

    def _listen_to_signals(self) -> None:
        for number in (signal.SIGTERM, signal.SIGINT):
            self._loop.add_signal_handler(number, self._asked_to_end, number)
        self._loop.add_signal_handler(signal.SIGHUP, self._guarded(self._reload))

    # --- Words on their way to the caretaker

    def _ring(self) -> None:
        self._keeping.ring()

    def _arrived(self, seat: Seat) -> None:
        self._guarded(lambda: self._keeping.arrived(seat))()

    def _left(self, seat: Seat) -> None:
        self._guarded(lambda: self._keeping.left(seat))()

    def _heard(self, seat: Seat, message: AnyMessage) -> None:
        self._guarded(lambda: self._keeping.heard(seat, message))()

    def _delivered(self, event: Told) -> None:
        """Carry what became of a notice from the thread of its lane into the loop."""
        with suppress(RuntimeError):  # The loop has ended; it is posted again after the start.
            self._loop.call_soon_threadsafe(self._guarded(lambda: self._caretaker.note(event)))

    def _pages(self, slips: Sequence[Slip]) -> Pages:
        ledger, today = self._shelf.ledger, self._station.clock.now().date()
        confirms = self._policy.loaded.policy.slips.confirms_return
        sheets = [Sheet(slip, ledger.drive(slip.drive), confirms) for slip in slips]
        return slip_pages(sheets, today)

    def _guarded(self, act: Callable[[], None]) -> Callable[[], None]:
        """Return an act whose errors end nothing but itself, save a broken invariant."""

        def acted() -> None:
            try:
                act()
            except Exception as err:  # noqa: BLE001 - the edge: one bad event must not end the rest.
                self._note_fault(err)

        return acted

    def _failed(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Hear what went wrong in a callback or task that nobody waits for."""
        err = context.get("exception")
        if isinstance(err, BaseException):
            self._note_fault(err)
        else:
            LOG.error("%s", context.get("message"))

    def _note_fault(self, err: BaseException) -> None:
        LOG.error("A fault of refreshd, please report it: %s", err, exc_info=err)
        if isinstance(err, InvariantBrokenError):
            self._fault = err
            self._end.set()

    async def _tick(self) -> None:
        """Look around every few seconds, and show systemd that the loop turns."""
        watchdog_s = self._notifier.watchdog_s
        every_s = TICK_S if watchdog_s is None else min(TICK_S, watchdog_s / 3)
        tick = self._guarded(self._keeping.tick)
        while True:
            self._notifier.watchdog()
            await asyncio.sleep(every_s)
            tick()

    # --- The policy

    def _reload(self) -> None:
        """Take the policy that the file holds now; refuse a bad one, loudly."""
        self._notifier.reloading(round(self._station.clock.elapsed_s() * 1_000_000))
        try:
            self._take(read_policy_anew(self._wish.policy, self._policy))
        except PolicyError as err:
            self._refuse(err)
        finally:
            self._notifier.ready()
            self._keeping.say_status()

    def _take(self, policy: PolicyInForce) -> None:
        self._keeping.complaint = ""
        is_other = policy.event != self._policy.event
        what = "the new one is in force" if is_other else "it is as it was"
        LOG.info("The policy was read anew: %s.", what)
        for sentence in policy.loaded.warning_sentences():
            LOG.warning("%s", sentence)
        self._policy = policy
        self._station = replace(self._station, policy=policy.loaded)
        self._outbox.use(*ways_out(policy.loaded.policy.notices))
        if self._server is not None:
            self._server.access_changed()
        if is_other:
            self._tell_policy()
            self._caretaker.policy_changed()
        self._keeping.settle()

    def _refuse(self, err: PolicyError) -> None:
        subject = "The policy file was refused; the policy of before stays in force"
        LOG.error("%s:\n%s", subject, err)
        self._keeping.complaint = f"{self._wish.policy.place} was refused, the old policy holds"
        self._outbox.post(Notice(Urgency.ALARMS, subject, f"{err}\n"))

    def _tell_policy(self) -> None:
        """Write down under which policy the service runs from now on, where it is another one."""
        try:
            if self._shelf.ledger.policy_taken() != self._policy.event.sha256:
                self._shelf.ledger.record(self._policy.event)
        except RefreshdError as err:
            LOG.warning("The policy in force could not be written down: %s", err)

    # --- The API

    def _serve_api(self) -> asyncio.Future[None] | None:
        if self._server is None:
            return None
        return asyncio.ensure_future(self._server.serve())

    async def _end_api(self, serving: asyncio.Future[None] | None) -> None:
        if serving is None or self._server is None:
            return
        self._server.end()
        await asyncio.wait([serving], timeout=API_END_S_MAX)
        serving.cancel()

    # --- The end

    def _asked_to_end(self, number: int) -> None:
        name = signal.Signals(number).name
        if self._end.is_set():
            LOG.warning("Asked to stop again (%s): workers are ended at once.", name)
            self._hurry.set()
            return
        LOG.info("Asked to stop (%s): passes stop at their next checkpoints.", name)
        self._end.set()

    async def _stop(self) -> None:
        """Let every pass reach its checkpoint, and ask systemd for the time that it takes."""
        self._notifier.stopping()
        self._caretaker.stopping()
        extending = asyncio.ensure_future(self._extend())
        hurry = asyncio.ensure_future(self._hurry.wait())
        closing = asyncio.ensure_future(self._bays.close(self._wish.stop_s))
        awaited: set[asyncio.Future[Any]] = {closing, hurry}
        await asyncio.wait(awaited, return_when=asyncio.FIRST_COMPLETED)
        if not closing.done():
            await self._bays.close(0)
        await closing
        for task in (extending, hurry):
            task.cancel()

    async def _extend(self) -> None:
        while True:
            self._notifier.extend_timeout(EXTEND_S)
            self._notifier.watchdog()
            self._notifier.status("Stopping: passes finish their segments.")
            await asyncio.sleep(EXTEND_EVERY_S)
