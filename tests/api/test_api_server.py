"""The socket: who may have it, what is in the way, how it comes and goes."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from refreshd.api.server import ApiServer
from refreshd.errors import RefusedError
from refreshd.wiring.station import Station
from tests.fakes.house import an_office, serving

ROOT = Path(__file__).resolve().parents[2]


def server_at(path: Path, station: Station) -> ApiServer:
    """Return a server that is not bound yet."""
    return ApiServer(path, an_office(station)[0])


def test_two_daemons_do_not_serve_at_one_place(place: Path, station: Station) -> None:
    """The second is refused, and the first goes on."""
    with serving(place / "socket", station) as house:
        with pytest.raises(RefusedError, match="another refreshd serves here"):
            server_at(house.path, station).bind()

        reception = house.reception()
        assert reception.about().may_act
        reception.close()


def test_the_socket_of_a_dead_daemon_is_replaced(place: Path, station: Station) -> None:
    """I6: a killed daemon leaves its socket behind; the next start needs nobody's hand."""
    path = place / "socket"
    dead = socket.socket(socket.AF_UNIX)
    dead.bind(str(path))
    dead.close()

    with serving(path, station) as house:
        reception = house.reception()
        assert reception.about().may_act
        reception.close()


def test_a_socket_that_somebody_else_answers_is_left_alone(place: Path, station: Station) -> None:
    """It is no dead one, whoever it belongs to."""
    path = place / "socket"
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(str(path))
        other.listen()

        with pytest.raises(RefusedError, match="somebody else serves here"):
            server_at(path, station).bind()

        assert stat.S_ISSOCK(path.stat().st_mode)


@pytest.mark.parametrize("kind", ["file", "folder", "link"])
def test_what_is_no_socket_is_not_removed(place: Path, station: Station, kind: str) -> None:
    """A slip in --socket must cost nobody a file."""
    path, kept = place / "socket", place / "kept"
    kept.write_text("letters", encoding="utf-8")
    if kind == "file":
        path.write_text("letters", encoding="utf-8")
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to(kept)

    with pytest.raises(RefusedError, match="no socket is in the way"):
        server_at(path, station).bind()

    assert path.exists()
    assert kept.read_text(encoding="utf-8") == "letters"


def test_a_refused_server_leaves_the_lock_to_the_next(place: Path, station: Station) -> None:
    """What was in the way may be moved, and then it works."""
    path = place / "socket"
    path.write_text("letters", encoding="utf-8")
    server = server_at(path, station)
    with pytest.raises(RefusedError):
        server.bind()
    path.unlink()

    server.bind()

    assert stat.S_ISSOCK(path.stat().st_mode)
    server.close()


@pytest.mark.parametrize("name", ["no/such/folder/socket", "x" * 120])
def test_a_place_that_cannot_hold_a_socket_is_named(
    place: Path, station: Station, name: str
) -> None:
    """The message says which path, and what to do."""
    with pytest.raises(RefusedError, match="name another place with --socket"):
        server_at(place / name, station).bind()


def test_the_end_takes_the_socket_away(place: Path, station: Station) -> None:
    """Nobody waits at a socket behind which nobody is."""
    with serving(place / "socket", station) as house:
        assert house.path.exists()

    assert not house.path.exists()


def test_nothing_is_listened_on_but_the_socket(place: Path, station: Station) -> None:
    """No network: not even on the loopback."""
    with serving(place / "socket", station):
        kinds = sockets_of(os.getpid())

    assert "tcp" not in kinds
    assert "udp" not in kinds


def sockets_of(pid: int) -> set[str]:
    """Return which kinds of network sockets a process has open."""
    open_files = Path(f"/proc/{pid}/fd").iterdir()
    held = {str(one.readlink()) for one in open_files if os.path.lexists(one)}
    found = set()
    for table in ("tcp", "tcp6", "udp", "udp6"):
        for line in Path(f"/proc/{pid}/net/{table}").read_text(encoding="utf-8").splitlines()[1:]:
            if f"socket:[{line.split()[9]}]" in held:
                found.add(table.removesuffix("6"))
    return found


_IDLE = """
import asyncio, sys
from pathlib import Path
from refreshd.api.server import ApiServer
from tests.fakes.house import a_station, an_office

async def serve():
    loop = asyncio.get_running_loop()
    server = ApiServer(Path(sys.argv[1]) / "socket", an_office(a_station(Path(sys.argv[1])))[0])
    task = asyncio.create_task(server.serve())
    while not server.is_listening:
        await asyncio.sleep(0.01)
    ticks = []
    once = loop._run_once
    def counted():
        ticks.append(1)
        once()
    loop._run_once = counted
    await asyncio.sleep(2)
    print(len(ticks), "fastapi.routing" in sys.modules)
    server.end()
    await task

asyncio.run(serve())
"""


def test_an_idle_server_does_nothing_and_has_no_application(place: Path) -> None:
    """It waits; what is needed when somebody asks is loaded when somebody asks."""
    done = subprocess.run(
        [sys.executable, "-c", _IDLE, str(place)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    turns, is_loaded = done.stdout.split()

    assert int(turns) <= 4
    assert is_loaded == "False"


def test_signals_are_left_to_the_daemon(place: Path, station: Station) -> None:
    """The server takes no signal away from whoever runs it, in the main thread, too."""

    async def serve() -> tuple[object, object]:
        before = signal.getsignal(signal.SIGTERM)
        server = server_at(place / "socket", station)
        task = asyncio.create_task(server.serve())
        while not server.is_listening:  # noqa: ASYNC110 - it has no event, and needs one turn
            await asyncio.sleep(0)
        during = signal.getsignal(signal.SIGTERM)
        server.end()
        await task
        return before, during

    before, during = asyncio.run(serve())

    assert before == during
