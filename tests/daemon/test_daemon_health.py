"""A whole daemon on loop devices: drives are asked how they are, and new ones are proved."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from random import Random

import pytest

from tests import loops
from tests.fakes.counter import CHUNK
from tests.fakes.running import Place

pytestmark = pytest.mark.root

POLICY = """\
[defaults]
chunk_size = "64 KiB"
segment_size = "256 KiB"
readback_lag = "1 MiB"
"""


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """Return a place with a policy for drives of some MiB."""
    found = Place(tmp_path)
    found.policy.write_text(POLICY, encoding="utf-8")
    return found


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """Return the image of a drive with content."""
    path = tmp_path / "drive.img"
    path.write_bytes(Random(11).randbytes(48 * CHUNK + 4096))
    return path


@pytest.fixture
def in_care(place: Place, image: Path) -> Path:
    """Return the image of drive K07, for which nothing is due."""
    with loops.attached(image) as node:
        place.take_in(node, "K07", "2026-11-01")
        assert place.say("refresh", "K07", "--on", node, socket="none").returncode == 0
    return image


def readings(place: Place) -> int:
    """Return how many readings stand in the journal."""
    return place.kinds().count("health-read")


def test_a_drive_that_comes_is_asked_and_can_be_asked_by_hand(place: Place, in_care: Path) -> None:
    """By the daemon's own worker: a loop device is silent, and that is written down as such."""
    before = readings(place)
    with place.serving() as daemon:
        daemon.until("Ready")
        with loops.attached(in_care):
            daemon.until("health reading ended")
            came = readings(place)
            told = place.ask("health", "K07", "--now")
            status = place.ask("status")
        daemon.signal(signal.SIGTERM)
        said = daemon.rest()

    assert daemon.process.returncode == 0, said
    assert came == before + 1
    assert readings(place) == before + 2
    assert "silent" in json.dumps(told)
    here = next(one for one in status["here"] if one["drive"] == "K07")
    assert here["health"]["is_silent"]


def test_a_new_drive_is_proved_by_the_daemon(place: Place, tmp_path: Path) -> None:
    """Asked for by hand, told as it goes, with a certificate at the end; then it is a stranger."""
    blank = tmp_path / "blank.img"
    blank.write_bytes(bytes(32 * CHUNK * 4))
    with place.serving() as daemon:
        daemon.until("Ready")
        with loops.attached(blank) as node:
            daemon.until("no drive in care")
            done = place.say("prove", node, "--json")
            daemon.until("proving ended")
            status = place.ask("status")
        daemon.signal(signal.SIGTERM)
        said = daemon.rest()

    assert daemon.process.returncode == 0, said
    assert done.returncode == 0, (done.stdout, done.stderr)
    kinds = place.kinds()
    assert kinds.count("proving-begun") == kinds.count("drive-proved") == 1
    assert kinds.count("stranger-reported") == 1
    assert status["visits"] == []


def test_a_drive_with_content_is_not_proved_over_its_content(place: Place, image: Path) -> None:
    """I1: refused unless it is said twice; here it is only read."""
    before = image.read_bytes()
    with place.serving() as daemon:
        daemon.until("Ready")
        with loops.attached(image) as node:
            daemon.until("no drive in care")
            refused = place.say("prove", node, "--erase", "--erase-drive", "another")
            place.say("prove", node)
        daemon.signal(signal.SIGTERM)
        daemon.rest()

    assert refused.returncode == 3, (refused.stdout, refused.stderr)
    assert image.read_bytes() == before
