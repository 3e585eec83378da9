"""A whole daemon on loop devices: drives come, are visited, and go, whatever happens meanwhile."""

from __future__ import annotations

import json
import os
import select
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import pytest

from tests import loops
from tests.fakes.counter import CHUNK
from tests.fakes.running import DEADLINE_S, Place

pytestmark = pytest.mark.root

POLICY = """\
[defaults]
chunk_size = "64 KiB"
segment_size = "256 KiB"
least_age = "none"
"""
SLOWLY = 'rate_limit = "1 MB/s"\n'
LONG_AGO = "2015-03-01"


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """Return a place with a policy for drives of some MiB."""
    found = Place(tmp_path)
    found.policy.write_text(POLICY, encoding="utf-8")
    return found


@pytest.fixture
def due(place: Place, tmp_path: Path) -> Path:
    """Return the image of drive K07, which has long been due."""
    image = tmp_path / "drive.img"
    image.write_bytes(Random(11).randbytes(48 * CHUNK + 4096))
    with loops.attached(image) as node:
        place.take_in(node, "K07", LONG_AGO)
    return image


def slow(place: Place) -> None:
    """Let passes go slowly from the next start, or the next reload, on."""
    place.policy.write_text(POLICY + SLOWLY, encoding="utf-8")


def test_a_due_drive_is_asked_for_visited_released_and_put_away(place: Place, due: Path) -> None:
    """The whole of the service: slip, arrival, pass, release, slip to put it away, return."""
    before = due.read_bytes()
    with place.serving() as daemon:
        daemon.until("Ready")
        asked = place.ask("pull-list")
        with loops.attached(due):
            daemon.until("refresh pass ended: success")
            daemon.until("it may be unplugged")
            released = place.ask("status")
        daemon.until("the drive is away again")
        daemon.signal(signal.SIGTERM)
        said = daemon.rest()

    assert daemon.process.returncode == 0, said
    assert "K07" in json.dumps(asked)
    assert "K07" in json.dumps(released)
    kinds = place.kinds()
    story = [
        "slip-issued", "drive-arrived", "slip-answered", "pass-begun", "pass-ended",
        "drive-released", "put-away-asked", "drive-left", "slip-returned",
    ]  # fmt: skip
    assert [kind for kind in kinds if kind in story][-len(story) :] == story
    assert due.read_bytes() == before


def test_a_killed_worker_is_told_of_and_the_pass_goes_on_at_another_node(
    place: Place, due: Path
) -> None:
    """I6: said so, nothing lost, taken up again when the drive returns, on whichever port."""
    before = due.read_bytes()
    slow(place)
    with place.serving() as daemon:
        daemon.until("Ready")
        with loops.attached(due) as first:
            place.until_rewriting()
            (worker,) = daemon.workers()
            os.kill(worker, signal.SIGKILL)
            daemon.until("the worker was killed by signal 9")
            place.ask("pause")
        daemon.until("no longer plugged in")
        place.policy.write_text(POLICY, encoding="utf-8")
        daemon.signal(signal.SIGHUP)
        daemon.until("the new one is in force")
        place.ask("resume")
        with held(first, due.with_name("other.img")), loops.attached(due) as second:
            daemon.until("taken up again")
            daemon.until("refresh pass ended: success")
            daemon.until("it may be unplugged")
        daemon.until("the drive is away again")
        daemon.signal(signal.SIGTERM)
        daemon.rest()

    assert second != first
    assert place.kinds().count("pass-begun") == 2  # of the accession, and of one refresh
    assert due.read_bytes() == before


def test_a_killed_daemon_leaves_a_worker_that_stops_and_the_next_one_goes_on(
    place: Place, due: Path
) -> None:
    """I6: the end of its stdin tells a worker that nobody listens; it reaches its checkpoint."""
    before = due.read_bytes()
    slow(place)
    with loops.attached(due):
        with place.serving() as daemon:
            daemon.until("Ready")
            place.until_rewriting()
            (worker,) = daemon.workers()
            handle = os.pidfd_open(worker)
            daemon.process.kill()
            ended, _, _ = select.select([handle], [], [], DEADLINE_S)
            os.close(handle)
        assert ended
        kinds = place.kinds()
        place.policy.write_text(POLICY, encoding="utf-8")
        with place.serving() as again:
            again.until("taken up again")
            again.until("refresh pass ended: success")
            again.until("it may be unplugged")

    assert kinds[-1] == "pass-interrupted"
    assert place.kinds().count("pass-begun") == 2
    assert due.read_bytes() == before


def test_a_stopped_daemon_lets_the_pass_reach_its_checkpoint(place: Place, due: Path) -> None:
    """I6: SIGTERM ends the service when the segment is done, and the record says where."""
    before = due.read_bytes()
    slow(place)
    with loops.attached(due), place.serving() as daemon:
        daemon.until("go over the drive")
        daemon.signal(signal.SIGTERM)
        said = daemon.rest()

    assert daemon.process.returncode == 0, said
    assert "refresh pass stopped" in said
    assert "Traceback" not in said
    assert "pass-interrupted" in place.kinds()
    assert due.read_bytes() == before


def test_a_second_signal_ends_the_workers_at_once(place: Place, due: Path) -> None:
    """Somebody in a hurry loses the unfinished segment's time, never its bytes."""
    before = due.read_bytes()
    slow(place)
    with loops.attached(due), place.serving() as daemon:
        daemon.until("go over the drive")
        daemon.signal(signal.SIGTERM)
        daemon.until("Asked to stop (SIGTERM)")
        daemon.signal(signal.SIGTERM)
        said = daemon.rest()

    assert daemon.process.returncode == 0, said
    assert "workers are ended at once" in said
    assert due.read_bytes() == before


def test_a_drive_that_is_not_in_care_is_told_of_once_and_left_alone(
    place: Place, tmp_path: Path
) -> None:
    """It is reported with how to take it into care, and not a byte of it changes."""
    stranger = loops.noise_file(tmp_path / "stranger.img", 16 * CHUNK)
    before = stranger.read_bytes()
    with place.serving() as daemon:
        daemon.until("Ready")
        with loops.attached(stranger, "--read-only"):
            daemon.until("not in care, not touched")
        with loops.attached(stranger, "--read-only"):
            daemon.until("no drive in care")
        daemon.signal(signal.SIGTERM)
        daemon.rest()

    assert place.kinds().count("stranger-reported") == 1
    assert stranger.read_bytes() == before


def test_a_drive_is_taken_into_care_by_the_daemon(place: Place, tmp_path: Path) -> None:
    """The verb names the node that the daemon saw arrive; the worker does the reading."""
    image = loops.noise_file(tmp_path / "new.img", 16 * CHUNK)
    with place.serving() as daemon:
        daemon.until("Ready")
        with loops.attached(image) as node:
            daemon.until("no drive in care")
            words = ("accession", node, "--number", "K09", "--shelfmark", "R1", "--title", "maps")
            told = place.ask(*words)

    assert (told["drive"], told["is_taken_in"]) == ("K09", True)


@contextmanager
def held(node: str, file: Path) -> Iterator[None]:
    """Keep a node occupied by another disk, so that the drive comes back at another one."""
    loops.noise_file(file, CHUNK)
    loops.run("losetup", "--read-only", node, file)
    try:
        yield
    finally:
        loops.run("losetup", "--detach", node)
