"""I9 without a daemon: copies of the same content, refreshed by hand in several processes."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from refreshd.adapters.drive_lock import DriveLock
from refreshd.adapters.system_clock import SystemClock
from refreshd.quantities import DriveNumber
from refreshd.simulated.clock import SimulatedClock
from tests.fakes.counter import CHUNK, Counter, World

HOLDING = "harbour survey"
SLOWLY = '\nrate_limit = "1 MB/s"\n'


@pytest.fixture
def counter(tmp_path: Path, policy: Path) -> Counter:
    """Return a counter with the time of the server: processes of their own have no other."""
    return Counter(World(clock=SimulatedClock(SystemClock().now())), tmp_path / "state", policy)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """Return an image of 16 MiB: its refresh lasts longer than two verbs on a busy server."""
    path = tmp_path / "drive.img"
    path.write_bytes(Random(11).randbytes(256 * CHUNK))
    return path


@pytest.fixture
def k08(counter: Counter, k07: Path, tmp_path: Path) -> Path:
    """Return the image of K08; its content is another one than that of K07."""
    path = tmp_path / "other.img"
    path.write_bytes(Random(12).randbytes(k07.stat().st_size))
    assert counter.take_in(path, "K08").code == 0
    return path


def make_copies(counter: Counter) -> None:
    """Say that both drives hold the same content."""
    for number in ("K07", "K08"):
        assert counter.ask("drive", number, "--holding", HOLDING).code == 0


def test_a_copy_is_not_refreshed_within_the_time_that_the_policy_says(
    counter: Counter, k07: Path, k08: Path
) -> None:
    """I9: by hand, too, one surge or fault must not reach both; nothing is written to the copy."""
    make_copies(counter)
    before = k08.read_bytes(), k08.stat().st_mtime_ns
    assert counter.ask("refresh", "K07", "--on", k07).code == 0
    counter.world.clock.time += timedelta(days=13)

    refused = counter.ask("refresh", "K08", "--on", k08)

    assert refused.code == 3
    assert "K07, which holds the same content, was written to on" in refused.error
    assert "siblings_apart" in refused.error
    assert (k08.read_bytes(), k08.stat().st_mtime_ns) == before
    assert counter.ask("fixity", "K08", "--on", k08).code == 0

    counter.world.clock.time += timedelta(days=1)

    assert counter.ask("refresh", "K08", "--on", k08).code == 0


def test_the_policy_says_how_far_apart_copies_are_refreshed_by_hand(
    counter: Counter, k07: Path, k08: Path, policy: Path
) -> None:
    """I9: whoever must hurry says so in the policy, and it holds for the command line as well."""
    make_copies(counter)
    text = policy.read_text(encoding="utf-8")
    policy.write_text(f'[visits]\nsiblings_apart = "2 days"\n\n{text}', encoding="utf-8")
    assert counter.ask("refresh", "K07", "--on", k07).code == 0
    counter.world.clock.time += timedelta(days=2)

    assert counter.ask("refresh", "K08", "--on", k08).code == 0


def test_drives_of_different_content_are_refreshed_one_after_the_other(
    counter: Counter, k07: Path, k08: Path
) -> None:
    """I9 is about copies: what is no copy waits for nothing."""
    assert counter.ask("refresh", "K07", "--on", k07).code == 0
    assert counter.ask("refresh", "K08", "--on", k08).code == 0


def test_no_copy_is_refreshed_while_another_one_is(
    counter: Counter, k07: Path, k08: Path, policy: Path
) -> None:
    """I9: two processes at once, also where the holding was said after the first had begun."""
    assert counter.ask("drive", "K07", "--holding", HOLDING).code == 0
    text = policy.read_text(encoding="utf-8")
    policy.write_text(text + SLOWLY, encoding="utf-8")
    before = k08.read_bytes(), k08.stat().st_mtime_ns
    with counter.process("refresh", "K07", "--on", k07) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith("rewriting: at"):
                break
        said = counter.run("drive", "K08", "--holding", HOLDING)
        refused = counter.run("refresh", "K08", "--on", k08, "--json")
        process.terminate()
        process.communicate(timeout=60)

    assert said.code == 0
    assert refused.code == 3
    assert json.loads(refused.out)["error"]["kind"] == "DriveAtWorkError"
    assert (k08.read_bytes(), k08.stat().st_mtime_ns) == before


def test_a_copy_is_left_alone_while_another_one_is_refreshed(
    counter: Counter, k07: Path, k08: Path, policy: Path
) -> None:
    """I9: for as long as a refresh lasts its copies are claimed, whatever is wanted of them."""
    make_copies(counter)
    text = policy.read_text(encoding="utf-8")
    policy.write_text(text + SLOWLY, encoding="utf-8")
    with counter.process("refresh", "K07", "--on", k07) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith("rewriting: at"):
                break
        refused = counter.run("fixity", "K08", "--on", k08, "--json")
        process.terminate()
        process.communicate(timeout=60)

    assert json.loads(refused.out)["error"]["kind"] == "DriveAtWorkError"
    assert counter.run("fixity", "K08", "--on", k08).code == 0


def test_a_refresh_begins_only_while_nobody_works_on_a_copy(
    counter: Counter, k07: Path, k08: Path
) -> None:
    """I9: whoever holds the lock of a copy, though no record says what it does with it."""
    make_copies(counter)
    before = k08.read_bytes()
    with DriveLock(counter.state / "locks", DriveNumber("K08")):
        refused = counter.ask("refresh", "K07", "--on", k07)

    assert refused.code == 3
    assert "K08" in refused.error
    assert counter.ask("refresh", "K07", "--on", k07).code == 0
    assert k08.read_bytes() == before
