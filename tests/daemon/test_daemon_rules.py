"""A daemon as a citizen of its server: one for each record, policies, systemd, signals."""

from __future__ import annotations

import signal
import socket
from pathlib import Path

import pytest

from tests.fakes.running import DEADLINE_S, Place

POLICY = '[defaults]\nchunk_size = "64 KiB"\n'
BAD = "[visits]\nbays = 0\n"


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """Return a place with a policy."""
    found = Place(tmp_path)
    found.policy.write_text(POLICY, encoding="utf-8")
    return found


@pytest.fixture
def systemd(tmp_path: Path) -> socket.socket:
    """Stand in for systemd's end of the notification socket."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.bind(str(tmp_path / "notify"))
    listener.settimeout(DEADLINE_S)
    return listener


def test_a_bad_policy_is_refused_loudly_and_the_old_one_stays(place: Place) -> None:
    """SIGHUP with a bad file: line and reason in the log, nothing else changes; then a good one."""
    with place.serving() as daemon:
        daemon.until("Ready")
        place.policy.write_text(BAD, encoding="utf-8")
        daemon.signal(signal.SIGHUP)
        daemon.until("The policy file was refused; the policy of before stays in force")
        refused = daemon.until("bays")
        bays = place.say("status").stdout
        place.policy.write_text(POLICY + "[visits]\nbays = 2\n", encoding="utf-8")
        daemon.signal(signal.SIGHUP)
        daemon.until("the new one is in force")
        daemon.signal(signal.SIGTERM)
        daemon.rest()

    assert "line 2" in refused
    assert "(1 bay)" in bays
    assert place.kinds().count("policy-taken") == 2


def test_the_same_policy_read_anew_is_not_written_down_again(place: Place) -> None:
    """The journal says when a policy came into force, not how often it was looked at."""
    with place.serving() as daemon:
        daemon.until("Ready")
        daemon.signal(signal.SIGHUP)
        daemon.until("it is as it was")
        daemon.signal(signal.SIGTERM)
        daemon.rest()

    assert place.kinds().count("policy-taken") == 1


def test_a_bad_policy_at_the_start_ends_it_with_code_2(place: Place) -> None:
    """There is no old policy that could stay in force; systemd does not start it again."""
    place.policy.write_text(BAD, encoding="utf-8")
    with place.serving() as daemon:
        said = daemon.rest()

    assert daemon.process.returncode == 2
    assert "bays" in said


def test_a_group_that_this_server_does_not_have_is_named(place: Place) -> None:
    """Misspelt, it would let nobody in, and who is kept out sees no reason."""
    place.policy.write_text('[access]\nlook_group = "harbour-watch"\n', encoding="utf-8")
    with place.serving() as daemon:
        said = daemon.until("no group harbour-watch")

    assert "[access] look_group" in said


def test_a_missing_directory_of_loop_devices_is_a_usage_error(place: Place) -> None:
    """Nothing would ever be seen there, and no word said why."""
    said = place.say("serve", "--loops-of", str(place.folder / "nowhere"))

    assert said.returncode == 2
    assert "there is no such directory" in said.stderr


def test_two_daemons_do_not_serve_one_record(place: Place) -> None:
    """Two would both ask for the same drives; the second is refused, whatever its socket is."""
    with place.serving() as daemon:
        daemon.until("Ready")
        second = place.say("serve", socket=str(place.folder / "other"))

    assert second.returncode == 3
    assert "another daemon serves" in second.stderr


def test_a_killed_daemon_is_followed_by_another_at_once(place: Place) -> None:
    """I6: neither lock nor socket outlives it."""
    with place.serving() as daemon:
        daemon.until("Ready")
        daemon.process.kill()
        daemon.rest()
    with place.serving() as again:
        again.until("Ready")
        assert place.say("status").returncode == 0


def test_systemd_is_told_how_the_service_is(place: Place, systemd: socket.socket) -> None:
    """Ready when the record is open; alive; reloading and ready again; stopping with more time."""
    heard: list[str] = []

    def until(words: str) -> None:
        while not any(words in one for one in heard):
            heard.append(systemd.recv(4096).decode())

    address = str(systemd.getsockname())
    with systemd, place.serving(NOTIFY_SOCKET=address, WATCHDOG_USEC="300000") as daemon:
        until("READY=1")
        until("STATUS=Waiting for a drive.")
        until("WATCHDOG=1")
        heard.clear()
        place.policy.write_text(BAD, encoding="utf-8")
        daemon.signal(signal.SIGHUP)
        until("RELOADING=1")
        until("READY=1")
        until("was refused, the old policy holds")
        daemon.signal(signal.SIGTERM)
        until("STOPPING=1")
        until("EXTEND_TIMEOUT_USEC=")
        daemon.rest()

    assert daemon.process.returncode == 0
