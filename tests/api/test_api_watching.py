"""What happens, told live: nobody who reads slowly, or stops, holds up the daemon."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.api.watching import LINES_MAX, Gallery, Watcher, of_everything, of_visit
from refreshd.errors import DaemonUnreachableError, DriveError, PassStoppedError
from refreshd.messages import Moved, Said, VisitEnded, WorkerEnded, told
from refreshd.ports import Seat, VisitOrder
from refreshd.quantities import DriveNumber, Outcome, PassKind
from refreshd.reception.protocol import PassAsked
from refreshd.reception.wire import Beat, Broken, Heard
from refreshd.wiring.station import Station
from tests.fakes.house import NODE, Hearing, House, InventedCaretaker, serving
from tests.fakes.neighbour import request

K07 = DriveNumber("K07")
SEAT = Seat(NODE, 7)
HERE = PassAsked(K07, PassKind.FIXITY, NODE)


def moved(done: int) -> Moved:
    """Return a step of a pass."""
    return Moved(done_bytes=done, of_bytes=1000, doing="reading")


def stopped() -> VisitEnded:
    """Return the end of a visit that was stopped before it began anything."""
    error = told(PassStoppedError("stopped as asked"))
    return VisitEnded(
        drive=K07,
        pass_kind=PassKind.FIXITY,
        outcome=Outcome.WARNING,
        is_complete=False,
        findings=0,
        error=error,
    )


def read_all(watcher: Watcher) -> list[Heard | Beat | Broken]:
    """Read a stream to its end."""

    async def read() -> list[Heard | Beat | Broken]:
        return [line async for line in watcher.lines()]

    return asyncio.run(read())


def test_a_slow_reader_misses_steps_and_no_words() -> None:
    """How far a pass is takes one place in the queue, the newest."""
    gallery, watcher = Gallery(), of_everything()
    gallery.let_in(watcher)
    for step in range(100_000):
        gallery.hear(SEAT, K07, moved(step))
        if step % 50_000 == 0:
            gallery.hear(SEAT, K07, Said(sentence=f"at {step}"))
    gallery.close()

    lines = read_all(watcher)

    told_lines = [line.message for line in lines if isinstance(line, Heard)]
    assert told_lines == [
        moved(0), Said(sentence="at 0"), moved(50_000), Said(sentence="at 50000"), moved(99_999)
    ]  # fmt: skip


def test_who_reads_nothing_costs_a_bounded_room_and_is_told() -> None:
    """A reader that is stopped cannot fill the daemon's memory."""
    gallery, watcher = Gallery(), of_everything()
    gallery.let_in(watcher)
    for step in range(10 * LINES_MAX):
        gallery.hear(SEAT, K07, Said(sentence=str(step)))

    lines = read_all(watcher)

    assert len(lines) == LINES_MAX + 2
    assert isinstance(lines[-1], Broken)
    assert "not read in time" in lines[-1].error.message


def test_steps_of_two_drives_do_not_take_each_others_place() -> None:
    """The newest step of each drive is told, whichever came last."""
    gallery, watcher = Gallery(), of_everything()
    gallery.let_in(watcher)
    for step in range(3):
        gallery.hear(SEAT, K07, moved(step))
        gallery.hear(Seat("/dev/sdy", 8), DriveNumber("K08"), moved(step))
    gallery.close()

    last = [line for line in read_all(watcher) if isinstance(line, Heard)][-2:]

    assert [line.drive for line in last] == ["K07", "K08"]
    assert [line.message for line in last] == [moved(2), moved(2)]


def test_whoever_asked_for_a_visit_hears_of_that_one_alone() -> None:
    """And of nothing behind its end."""
    gallery = Gallery()
    watcher = of_visit(VisitOrder(K07, PassKind.FIXITY))
    gallery.let_in(watcher)
    gallery.hear(Seat("/dev/sdy", 8), DriveNumber("K08"), stopped())
    gallery.hear(SEAT, K07, Said(sentence="mine"))
    gallery.hear(SEAT, K07, stopped())
    gallery.hear(SEAT, K07, Said(sentence="later"))

    lines = read_all(watcher)

    assert [line.message for line in lines if isinstance(line, Heard)] == [
        Said(sentence="mine"),
        stopped(),
    ]


def test_the_worker_that_identified_the_drive_ends_no_visit() -> None:
    """Its last message may come when the visit was asked for already."""
    watcher = of_visit(VisitOrder(K07, PassKind.FIXITY))
    watcher.put(Heard(node=NODE, drive=K07, message=WorkerEnded(exit_code=0)))
    watcher.put(Heard(node=NODE, drive=K07, message=WorkerEnded(exit_code=-9)))

    assert len(read_all(watcher)) == 2


@pytest.fixture
def house(place: Path, station: Station) -> Iterator[House]:
    """Return an interface whose visits say nothing by themselves."""
    with serving(place / "socket", station, play=lambda _, __: None) as house:
        yield house


def connected(path: Path, target: str) -> socket.socket:
    """Ask for something and read nothing yet."""
    line = socket.socket(socket.AF_UNIX)
    line.settimeout(20)
    line.connect(str(path))
    line.sendall(request("GET", target))
    return line


def listening(house: House, count: int) -> bool:
    """Say whether so many watch now."""
    return len(house.office.gallery._watchers) == count


def wait_until(house: House, count: int) -> None:
    """Wait until so many watch; the beat of a second is the longest time it may take."""
    moment = threading.Event()
    for _ in range(200):
        if listening(house, count):
            return
        moment.wait(0.05)
    pytest.fail(f"there are not {count} who watch")


def test_a_reader_that_stopped_holds_up_nobody(house: House) -> None:
    """Its own stream waits; the loop goes on, and everybody else is answered."""
    with connected(house.path, "/v1/messages"):
        wait_until(house, 1)
        for step in range(LINES_MAX * 4):
            house.tell(NODE, K07, Said(sentence=f"{step} " + "x" * 2000))
        reception = house.reception()

        assert reception.status().bays == 1
        reception.close()


def test_a_reader_that_is_gone_is_forgotten(house: House) -> None:
    """Neither its queue nor its connection stays behind."""
    line = connected(house.path, "/v1/messages")
    wait_until(house, 1)

    line.close()

    wait_until(house, 0)


def test_a_stream_beats_while_nothing_happens(house: House) -> None:
    """So that whoever watches can tell silence from a daemon that hangs."""
    with connected(house.path, "/v1/messages") as line:
        wait_until(house, 1)
        said = b""
        while said.count(b'"beat"') < 2:
            said += line.recv(4096)

    assert b"application/x-ndjson" in said


def test_the_end_of_the_daemon_is_told(place: Path, station: Station) -> None:
    """A stream that just broke off would leave open whether the pass goes on."""
    with serving(place / "socket", station, play=lambda _, __: None) as house:
        line = connected(house.path, "/v1/messages")
        wait_until(house, 1)
    said = b""
    while part := line.recv(4096):
        said += part
    line.close()

    assert b"the daemon ends" in said
    assert not house.path.exists()


def test_everybody_who_watches_hears_every_message(house: House) -> None:
    """One JSON object a line, typed."""
    reception = house.reception()
    heard: list[Heard] = []
    thread = threading.Thread(target=lambda: heard.extend(follow(reception, 2)))
    thread.start()
    wait_until(house, 1)

    house.tell(NODE, K07, Said(sentence="one"))
    house.tell(NODE, None, moved(5))
    thread.join(20)
    reception.close()

    assert heard == [
        Heard(node=NODE, drive=K07, message=Said(sentence="one")),
        Heard(node=NODE, drive=None, message=moved(5)),
    ]


def follow(reception: object, count: int) -> Iterator[Heard]:
    """Yield the first lines of what happens."""
    lines = reception.follow()  # type: ignore[attr-defined] # a SocketReception
    for _ in range(count):
        yield next(lines)
    lines.close()


def test_a_stop_is_asked_for_once_and_the_end_is_waited_for(place: Path, station: Station) -> None:
    """The first signal asks the daemon; the report is that of the stopped pass."""

    def play(caretaker: InventedCaretaker, _: VisitOrder) -> None:
        caretaker.tell(NODE, K07, moved(1))

    with serving(place / "socket", station, play) as house:
        hearing = Hearing()
        hearing.stop.set()
        errors: list[BaseException] = []
        thread = threading.Thread(target=lambda: keep_error(errors, house, hearing))
        thread.start()
        wait_until(house, 1)
        moment = threading.Event()
        while not any(one.startswith("stop") for one in house.caretaker.heard):
            moment.wait(0.05)
        moment.wait(2.5)  # two more beats, at each of which a stop is still wanted
        house.tell(NODE, K07, stopped())
        thread.join(20)

        assert [one for one in house.caretaker.heard if one.startswith("stop")] == [
            "stop K07 by root"
        ]
        assert [type(one) for one in errors] == [PassStoppedError]
        assert hearing.moves == [(1, 1000, "reading")]


def keep_error(errors: list[BaseException], house: House, hearing: Hearing) -> None:
    """Run a pass and keep what it raises."""
    reception = house.reception()
    try:
        reception.run_pass(HERE, hearing)
    except Exception as err:  # noqa: BLE001 - a thread hands it to the test
        errors.append(err)
    finally:
        reception.close()


def test_a_pass_goes_on_when_whoever_asked_is_gone(house: House) -> None:
    """Ctrl-C twice, a lost terminal: nothing is stopped by that."""
    line = socket.socket(socket.AF_UNIX)
    line.connect(str(house.path))
    line.sendall(request("POST", "/v1/drives/K07/pass", json.dumps({"kind": "fixity"}).encode()))
    wait_until(house, 1)

    line.close()

    wait_until(house, 0)
    assert len(house.caretaker.orders) == 1
    assert house.caretaker.heard == []


def test_a_worker_that_was_killed_ends_the_stream_with_its_last_words(
    place: Path, station: Station
) -> None:
    """Nobody waits for the end of a pass that has no worker any more."""

    def play(caretaker: InventedCaretaker, _: VisitOrder) -> None:
        caretaker.tell(NODE, K07, WorkerEnded(exit_code=-9, last_words="killed"))

    with serving(place / "socket", station, play) as house:
        reception = house.reception()

        with pytest.raises(DriveError, match="killed"):
            reception.run_pass(HERE, Hearing())
        reception.close()


def test_a_daemon_that_ends_in_mid_pass_is_an_unreachable_one(
    place: Path, station: Station
) -> None:
    """Exit code 5, and the sentence says that the pass goes on later."""
    errors: list[BaseException] = []
    with serving(place / "socket", station, play=lambda _, __: None) as house:
        thread = threading.Thread(target=lambda: keep_error(errors, house, Hearing()))
        thread.start()
        wait_until(house, 1)
    thread.join(20)

    assert [type(one) for one in errors] == [DaemonUnreachableError]
    assert "checkpointed" in str(errors[0])
