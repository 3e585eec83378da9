"""Whoever asks for too much, too slowly or too often is cut off, and nobody else notices."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from refreshd.api.limits import Limits
from refreshd.wiring.station import Station
from tests.api.conftest import TWO_GROUPS
from tests.fakes.house import House, serving
from tests.fakes.neighbour import ACTOR, LOOKER, ROOT, request

SHORT = Limits(head_s=0.3, body_s=0.3, body_bytes=4096, connections=24, connections_a_user=8)
PAUSE = b"POST /v1/pause HTTP/1.1\r\nHost: x\r\n"


@pytest.fixture
def house(place: Path, station: Station) -> Iterator[House]:
    """Return an interface with little patience."""
    with serving(place / "socket", station, access=TWO_GROUPS, limits=SHORT) as house:
        yield house


def answer_to(house: House, *parts: bytes) -> bytes:
    """Say something as root, say no more, and return all that comes."""
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(20)
        line.connect(str(house.path))
        said = b""
        try:
            for part in parts:
                line.sendall(part)
            while part := line.recv(65536):
                said += part
        except (ConnectionResetError, BrokenPipeError):
            pass
        return said


@pytest.mark.parametrize(
    "parts",
    [
        (b"",),
        (b"GET /v1/shelf HTTP/1.1\r\n",),
        (b"GET /v1/shelf HTTP/1.1\r\nHost: x\r\nX-Slow: ", b"a", b"b"),
    ],
    ids=["nothing", "a line", "a header"],
)
def test_a_head_that_does_not_come_is_not_waited_for(
    house: House, parts: tuple[bytes, ...]
) -> None:
    """A connection that says nothing is closed; it would stand in the way of others."""
    assert answer_to(house, *parts) == b""


def test_the_second_head_of_a_connection_is_not_waited_for_either(house: House) -> None:
    """One good request buys no patience for the next."""
    first = b"GET /v1/about HTTP/1.1\r\nHost: x\r\n\r\n"

    said = answer_to(house, first, b"GET /v1/about HTT")

    assert said.count(b"200 OK") == 1


def test_a_body_that_does_not_come_is_not_waited_for(house: House) -> None:
    """It is answered with the reason, and the caretaker hears nothing."""
    said = answer_to(house, PAUSE + b"Content-Length: 20\r\n\r\n{")

    assert said.startswith(b"HTTP/1.1 408 ")
    assert house.caretaker.pause_now is None


@pytest.mark.parametrize(
    "head",
    [b"Content-Length: 4097\r\n\r\n", b"Content-Length: 99999999999999999999999\r\n\r\n"],
    ids=["a byte too many", "more than there is"],
)
def test_a_body_that_is_announced_too_large_is_refused_unread(house: House, head: bytes) -> None:
    """Nothing of it is kept in memory."""
    said = answer_to(house, PAUSE + head)

    assert said.startswith((b"HTTP/1.1 413 ", b"HTTP/1.1 403 "))
    assert house.caretaker.pause_now is None


def test_a_body_that_turns_out_too_large_is_refused(house: House) -> None:
    """A length that nobody announced is counted."""
    parts = [
        PAUSE + b"Transfer-Encoding: chunked\r\n\r\n",
        *[b"400\r\n" + b" " * 1024 + b"\r\n"] * 5,
    ]

    said = answer_to(house, *parts)

    assert said.startswith(b"HTTP/1.1 413 ")


def test_a_body_of_the_longest_length_is_taken(house: House) -> None:
    """The test above can fail: a byte less is no mistake."""
    body = b"{" + b" " * 4094 + b"}"

    assert ROOT.asks(house.path, "POST", "/v1/pause", body)[0] == 200


@pytest.mark.parametrize(
    "body",
    [
        b"[" * 2000,
        b'{"until":' + b"[" * 1500 + b"]" * 1500 + b"}",
        b'{"until":"9999-12-31T23:59:59Z","until":null}',
        b'{"until":1e400}',
        b'{"until":-1e400}',
        b'{"\\ud800":1}',
        b"\xff\xfe{}",
        b"null",
        b"",
        b'{"until":"0001-01-01T00:00:00+23:59"}',
        b'{"until":"9999-12-31T23:59:59-23:59"}',
    ],
)
def test_a_body_that_is_nonsense_is_an_error_of_the_form(house: House, body: bytes) -> None:
    """Deep nesting, huge numbers, half characters and moments off the calendar crash nothing."""
    status, told = ROOT.asks(house.path, "POST", "/v1/pause", body)

    assert status in {200, 400, 422}
    if status != 200:
        assert json.loads(told)["error"]["exit_code"] == 2


def test_one_user_cannot_take_all_connections(house: House) -> None:
    """A user holds so many; the next is closed, and other users are served."""
    with ExitStack() as held:
        taken = [open_as_user(house, held) for _ in range(12)]
        alive = sum(is_open(line) for line in taken)

        assert alive == SHORT.connections_a_user
        assert ROOT.asks(house.path, "GET", "/v1/about")[0] == 200


def open_as_user(house: House, held: ExitStack) -> socket.socket:
    """Open a connection that the kernel takes for one of another user, and ask for a stream."""
    line = held.enter_context(socket.socket(socket.AF_UNIX))
    line.settimeout(20)
    os.setegid(LOOKER.groups[0])
    os.seteuid(LOOKER.uid)
    try:
        line.connect(str(house.path))
    finally:
        os.seteuid(0)
        os.setegid(0)
    line.sendall(request("GET", "/v1/messages"))
    return line


def is_open(line: socket.socket) -> bool:
    """Say whether a stream begins on a connection."""
    try:
        return line.recv(64).startswith(b"HTTP/1.1 200")
    except ConnectionResetError:
        return False


def test_what_is_asked_in_a_row_is_answered_in_a_row(house: House) -> None:
    """Requests behind each other on one connection do not outrun the checks."""
    one = b"GET /v1/about HTTP/1.1\r\nHost: x\r\n"
    row = (one + b"\r\n") * 4 + one + b"Connection: close\r\n\r\n"

    assert answer_to(house, row).count(b"200 OK") == 5


def test_the_host_has_no_meaning(house: House) -> None:
    """Nothing is made from it: no link, no redirection."""
    said = answer_to(
        house, b"GET /v1/shelf/ HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n"
    )

    assert said.startswith(b"HTTP/1.1 404 ")
    assert b"evil" not in said


def test_an_upgrade_is_ignored(house: House) -> None:
    """There is no other protocol to change to, so none that could come past the gate."""
    said = LOOKER.says(
        house.path,
        b"GET /v1/about HTTP/1.1\r\nHost: x\r\nConnection: upgrade, close\r\nUpgrade: websocket\r\n"
        b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n",
    )[1]

    assert said.startswith(b"HTTP/1.1 200 ")
    assert ACTOR.asks(house.path, "GET", "/v1/about")[0] == 200
