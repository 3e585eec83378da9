"""A daemon's interface over an invented caretaker, on a real Unix socket in a thread of its own."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

from refreshd.api.limits import Limits
from refreshd.api.office import Office
from refreshd.api.server import ApiServer
from refreshd.cards import Pause, SlipState
from refreshd.caretaker import Caretaker, Doing, DriveHere, Listener, Status
from refreshd.configfile import LoadedPolicy
from refreshd.errors import RefreshdError, RefusedError, UsageError
from refreshd.events import SlipReturned
from refreshd.messages import (
    AnyMessage,
    ErrorTold,
    Moved,
    Said,
    VisitEnded,
    told,
    told_report,
)
from refreshd.passes.bench import PassReport
from refreshd.policy import Policy
from refreshd.policy_tables import AccessRules
from refreshd.ports import Attendant, Seat, VisitOrder
from refreshd.proving_cards import Certificate
from refreshd.quantities import DriveNumber, Outcome, PassKind
from refreshd.reception.over_socket import SocketReception
from refreshd.simulated.clock import SimulatedClock
from refreshd.verbs.care import Accession, take_in
from refreshd.verbs.health_reading import read_health
from refreshd.verbs.passes import check, refresh
from refreshd.verbs.proving import prove
from refreshd.wiring.shelf import shelf_for_writing
from refreshd.wiring.station import Station

NODE = "/dev/sdx"
Play = Callable[["InventedCaretaker", VisitOrder], None]


class Silent:
    """`ports.Attendant` that hears nothing and stops nothing."""

    def wants_stop(self) -> bool:
        """Go on."""
        return False

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Hear nothing."""

    def said(self, sentence: str) -> None:
        """Hear nothing."""


@dataclass
class Hearing:
    """`ports.Attendant` that keeps what it hears; wants a stop when told so."""

    sentences: list[str] = field(default_factory=list)
    moves: list[tuple[int, int, str]] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    def wants_stop(self) -> bool:
        """Say whether a stop is wanted."""
        return self.stop.is_set()

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Keep it."""
        self.moves.append((done_bytes, of_bytes, doing))

    def said(self, sentence: str) -> None:
        """Keep it."""
        self.sentences.append(sentence)


@dataclass
class InventedCaretaker:
    """What the interface asks of a caretaker, remembered; visits are played as a test wants."""

    station: Station
    play: Play
    here: tuple[str, ...] = (NODE,)
    pause_now: Pause | None = None
    heard: list[str] = field(default_factory=list)
    orders: list[VisitOrder] = field(default_factory=list)
    listeners: list[Listener] = field(default_factory=list)

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Remember a listener."""
        self.listeners.append(listener)
        return lambda: self.listeners.remove(listener)

    def tell(self, node: str, drive: DriveNumber | None, message: AnyMessage) -> None:
        """Tell all who listen."""
        for listener in tuple(self.listeners):
            listener(Seat(node, None), drive, message)

    def status(self) -> Status:
        """Return how things stand."""
        now = self.station.clock.now()
        here = tuple(DriveHere(Seat(node, None), Doing.IDLE, None, None, now) for node in self.here)
        return Status(at=now, bays=1, here=here, pause=self.pause_now)

    def begin(self, order: VisitOrder) -> Seat:
        """Play a visit."""
        if self.pause_now is not None:
            raise RefusedError("passes are paused; `refreshd resume` lets them run")
        self.orders.append(order)
        self.play(self, order)
        return Seat(order.on or NODE, None)

    def stop(self, number: DriveNumber, by: str) -> None:
        """Remember the stop."""
        self.heard.append(f"stop {number} by {by}")
        if not self.orders:
            raise UsageError(f"no pass over {number} is under way")

    def stop_proving(self, node: str, by: str) -> None:
        """Remember the stop."""
        self.heard.append(f"stop proving at {node} by {by}")
        if not self.orders:
            raise UsageError(f"no proving at {node} is under way")

    def pause(self, by: str, until: datetime | None) -> None:
        """Remember the pause."""
        now = self.station.clock.now()
        if until is not None and until <= now:
            raise UsageError(f"a pause until {until} is over already")
        self.pause_now = Pause(by, now, until)

    def resume(self, by: str) -> None:
        """End the pause."""
        if self.pause_now is None:
            raise UsageError("nothing is paused")
        self.heard.append(f"resume by {by}")
        self.pause_now = None

    def returned(self, number: DriveNumber, by: str) -> None:
        """Close a slip as the caretaker does."""
        with shelf_for_writing(self.station) as shelf:
            slips = shelf.ledger.slips(number)
            if not slips or slips[0].state is not SlipState.TO_PUT_AWAY:
                raise UsageError(f"nobody was asked to put {number} away")
            how = f"{by} says that it lies in its place"
            shelf.ledger.record(SlipReturned(drive=number, slip=slips[0].number, how=how))

    def shelf_changed(self) -> None:
        """Remember it."""
        self.heard.append("shelf changed")


def played(station: Station, order: VisitOrder, attendant: Attendant) -> PassReport | None:
    """Run the pass that was ordered in this process, as a worker would in its own."""
    station = replace(station, attendant=attendant)
    if order.card is not None:
        card = order.card
        wanted = Accession(
            order.on or "", order.drive, card.shelfmark, card.title, card.medium, card.written_on
        )
        return take_in(station, wanted).report
    if order.kind is PassKind.HEALTH:
        read_health(station, order.drive, order.on)
        return None
    if order.kind is PassKind.FIXITY:
        return check(station, order.drive, order.on)
    return refresh(station, order.drive, order.on, is_closing=order.is_closing)


def play_at_once(caretaker: InventedCaretaker, order: VisitOrder) -> None:
    """Play a whole visit within `begin`, and tell everything that a worker would tell."""
    hearing = Hearing()
    node = order.on or NODE
    report, error, certificate = None, None, None
    try:
        if order.proving is not None:
            station = replace(caretaker.station, attendant=hearing)
            certificate = prove(station, order.on or "", order.proving)
        else:
            report = played(caretaker.station, order, hearing)
    except RefreshdError as err:
        error = told(err)
    for sentence in hearing.sentences:
        caretaker.tell(node, order.number, Said(sentence=sentence))
    for done, of, doing in hearing.moves:
        caretaker.tell(node, order.number, Moved(done_bytes=done, of_bytes=of, doing=doing))
    ended = VisitEnded(
        drive=order.number,
        pass_kind=order.kind,
        outcome=_outcome(report, certificate, error),
        is_complete=error is None and (report is None or report.stopped_by is None),
        findings=len(report.findings) if report else 0,
        error=error,
        report=told_report(report) if report else None,
        certificate=certificate,
    )
    caretaker.tell(node, order.number, ended)


def _outcome(
    report: PassReport | None, certificate: Certificate | None, error: ErrorTold | None
) -> Outcome:
    done = report or certificate
    if done is not None:
        return done.outcome
    return Outcome.SUCCESS if error is None else Outcome.FAIL


@dataclass
class House:
    """An interface that serves in a thread, until the test leaves it."""

    path: Path
    office: Office
    caretaker: InventedCaretaker
    server: ApiServer
    loop: asyncio.AbstractEventLoop

    def reception(self, attendant: Attendant | None = None) -> SocketReception:
        """Return a reception that asks it."""
        return SocketReception(self.path, attendant or Silent())

    def tell(self, node: str, drive: DriveNumber | None, message: AnyMessage) -> None:
        """Tell all who listen, in the loop, as the caretaker does; wait until that is done."""
        self.do(lambda: self.caretaker.tell(node, drive, message))

    def do(self, act: Callable[[], None]) -> None:
        """Do something in the loop, and wait for it."""

        async def acted() -> None:
            act()

        asyncio.run_coroutine_threadsafe(acted(), self.loop).result(10)


def an_office(
    station: Station, play: Play = play_at_once, access: AccessRules | None = None
) -> tuple[Office, InventedCaretaker]:
    """Return an office over an invented caretaker."""
    if access is not None:
        policy = station.policy.policy.model_copy(update={"access": access})
        station = replace(station, policy=replace(station.policy, policy=policy))
    caretaker = InventedCaretaker(station, play)
    office = Office(lambda: caretaker.station, cast("Caretaker", caretaker), Path("policy.toml"))
    return office, caretaker


def a_station(state: Path, loaded: LoadedPolicy | None = None) -> Station:
    """Return a station with an invented clock."""
    clock = SimulatedClock(datetime(2031, 3, 14, 9, 0, tzinfo=UTC))
    return Station(state, loaded or LoadedPolicy(Policy()), clock, Silent())


@contextmanager
def serving(
    path: Path,
    station: Station,
    play: Play = play_at_once,
    access: AccessRules | None = None,
    limits: Limits | None = None,
) -> Iterator[House]:
    """Serve the interface of a station on a real socket."""
    office, caretaker = an_office(station, play, access)
    server = ApiServer(path, office, limits)
    server.bind()
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_until_complete, args=(server.serve(),), daemon=True)
    thread.start()
    try:
        yield House(path, office, caretaker, server, loop)
    finally:
        loop.call_soon_threadsafe(server.end)
        thread.join(20)
        assert not thread.is_alive()
        loop.close()
