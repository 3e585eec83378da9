"""What the service tells systemd arrives as systemd reads it."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from refreshd.adapters.systemd_notify import Notifier


@contextmanager
def listening(address: str) -> Iterator[socket.socket]:
    """Stand in for systemd's end of the socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        listener.settimeout(0)  # What was sent is there already; a test waits for nothing.
        yield listener


@pytest.fixture(params=["a path", "an abstract name"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return both kinds of address that systemd gives."""
    if request.param == "a path":
        return str(tmp_path / "notify")
    return f"@refreshd-tests{tmp_path}"


def test_each_word_arrives_as_systemd_reads_it(address: str) -> None:
    """Source: sd_notify(3), the assignments that are well known."""
    with listening(address) as heard:
        notifier = Notifier.from_environment({"NOTIFY_SOCKET": address})
        said = [
            (notifier.ready, b"READY=1"),
            (notifier.watchdog, b"WATCHDOG=1"),
            (notifier.stopping, b"STOPPING=1"),
            (lambda: notifier.status("Watching for drives."), b"STATUS=Watching for drives."),
            (lambda: notifier.reloading(12_345), b"RELOADING=1\nMONOTONIC_USEC=12345"),
            (lambda: notifier.extend_timeout(1.5), b"EXTEND_TIMEOUT_USEC=1500000"),
        ]
        for call, expected in said:
            assert call()
            assert heard.recv(4096) == expected


def test_a_status_can_carry_no_second_message(tmp_path: Path) -> None:
    """I8: a drive's own words may stand in a status; a line feed in them would be an order."""
    address = str(tmp_path / "notify")
    with listening(address) as heard:
        Notifier(address).status("ACME\nSTOPPING=1\0\x1b[2J " + "x" * 5000)
        told = heard.recv(65536)

    assert told.startswith(b"STATUS=ACME STOPPING=1  [2J xxx")
    assert len(told) == len("STATUS=") + 256


def test_without_a_socket_nothing_is_sent_and_nothing_fails() -> None:
    """In a terminal there is no systemd to talk to."""
    for environ in ({}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "vsock:2:1"}):
        notifier = Notifier.from_environment(environ)

        assert not notifier.is_heard
        assert not notifier.ready()


def test_a_socket_that_is_gone_does_not_end_the_service(tmp_path: Path) -> None:
    """A word that nobody hears must not stop a visit."""
    assert not Notifier(str(tmp_path / "nobody")).ready()


def test_a_socket_that_is_full_does_not_hang_the_service(tmp_path: Path) -> None:
    """The loop that answers the watchdog cannot wait for systemd for ever."""
    address = str(tmp_path / "notify")
    with listening(address):
        notifier = Notifier(address, wait_s_max=0.01)

        assert any(not notifier.ready() for _ in range(10_000))


@pytest.mark.parametrize(
    ("environ", "interval_s"),
    [
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "77"}, 30.0),
        ({"WATCHDOG_USEC": "1500000"}, 1.5),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "78"}, None),
        ({"WATCHDOG_USEC": "0", "WATCHDOG_PID": "77"}, None),
        ({"WATCHDOG_USEC": "soon", "WATCHDOG_PID": "77"}, None),
        ({}, None),
    ],
)
def test_only_the_process_that_is_meant_is_watched(
    environ: dict[str, str], interval_s: float | None
) -> None:
    """Source: sd_watchdog_enabled(3): a child that inherits the variables is not meant."""
    assert Notifier.from_environment(environ, pid=77).watchdog_s == interval_s
