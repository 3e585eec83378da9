"""A worker as a process of its own: what it says, when it stops, and which disk it works on."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from refreshd.kernel.block_tree import Node
from refreshd.messages import (
    MESSAGES,
    AnyMessage,
    Identified,
    Moved,
    Released,
    VisitEnded,
)
from refreshd.quantities import Outcome
from refreshd.simulated.clock import SimulatedClock
from refreshd.wiring.seats import OpenRequests
from refreshd.worker.silence import LONG_S, SilenceWatch
from refreshd.worker.speaking import MOVED_EVERY_S, Speaker, StopRequest
from tests import loops
from tests.fakes.counter import CHUNK, ROOT
from tests.fakes.running import DEADLINE_S, Place

POLICY = '[defaults]\nchunk_size = "64 KiB"\nsegment_size = "256 KiB"\nleast_age = "none"\n'
SLOWLY = 'rate_limit = "1 MB/s"\n'


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """Return a place with a policy."""
    found = Place(tmp_path)
    found.policy.write_text(POLICY, encoding="utf-8")
    return found


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """Return an image of a drive."""
    path = tmp_path / "drive.img"
    path.write_bytes(Random(11).randbytes(48 * CHUNK + 4096))
    return path


@pytest.fixture
def node(place: Place, image: Path) -> Iterator[str]:
    """Return the node of drive K07, which is in care."""
    with loops.attached(image) as found:
        place.take_in(found, "K07", "2015-03-01")
        yield found


def sequence_of(node: str) -> int | None:
    """Return the disk sequence number at a node."""
    return Node(Path(node).stat().st_rdev).sequence


def worker(
    place: Place, act: str, node: str, *more: str, sequence: int | None = None
) -> subprocess.Popen[bytes]:
    """Start a worker, for the disk that is at the node unless another sequence is given."""
    number = sequence_of(node) if sequence is None else sequence
    words = [act, f"--state={place.state}", f"--policy={place.policy}", f"--sequence={number}"]
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "refreshd.worker", *words, *more, node],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def heard(process: subprocess.Popen[bytes]) -> list[AnyMessage]:
    """Wait for the end of a worker whose stdin stays open, and return what it said."""
    with process:
        assert process.stdout is not None
        lines = process.stdout.read().splitlines()
        process.wait(DEADLINE_S)
        assert process.stderr is not None
        assert process.stderr.read() == b""
    return [MESSAGES.validate_json(line) for line in lines]


def ended(messages: list[AnyMessage]) -> VisitEnded:
    """Return the end of a visit, which is the last message."""
    last = messages[-1]
    assert isinstance(last, VisitEnded)
    return last


REFRESH = ("--drive=K07", "--kind=refresh")


@pytest.mark.root
def test_a_worker_says_which_drive_it_is(place: Place, node: str, image: Path) -> None:
    """Nothing is written to the drive for it, nor to the record."""
    kinds, before = place.kinds(), image.read_bytes()

    (found,) = heard(worker(place, "identify", node))

    assert isinstance(found, Identified)
    assert found.drive == "K07"
    assert found.presence.disk_sequence == sequence_of(node)
    assert (place.kinds(), image.read_bytes()) == (kinds, before)


@pytest.mark.root
def test_a_stranger_is_described_and_has_no_number(place: Place, node: str, tmp_path: Path) -> None:
    """Its evidence is what the archivist is told, and how it is known again."""
    with loops.attached(loops.noise_file(tmp_path / "other.img", 4 * CHUNK)) as other:
        (found,) = heard(worker(place, "identify", other))

    assert isinstance(found, Identified)
    assert (found.drive, found.evidence.size_bytes) == (None, 4 * CHUNK)


@pytest.mark.root
@pytest.mark.parametrize("act", [("identify",), ("visit", *REFRESH), ("release",)])
def test_another_disk_than_the_one_that_was_seen_is_left_alone(
    place: Place, node: str, image: Path, act: tuple[str, ...]
) -> None:
    """I9: the node may be another disk's by now; the sequence number on the handle decides."""
    before = image.read_bytes()
    sequence = sequence_of(node)
    assert sequence is not None

    said = heard(worker(place, act[0], node, *act[1:], sequence=sequence + 1))

    assert "MistakenDriveError" in said[-1].model_dump_json()
    assert image.read_bytes() == before
    assert "drive-released" not in place.kinds()


@pytest.mark.root
def test_a_visit_tells_how_far_it_is_and_ends_with_its_report(place: Place, node: str) -> None:
    """The report is the one that whoever asked for the pass gets."""
    said = heard(worker(place, "visit", node, *REFRESH))

    end = ended(said)
    assert (end.outcome, end.is_complete, end.error) == (Outcome.SUCCESS, True, None)
    assert end.report is not None
    assert end.report.bytes_written == 48 * CHUNK + 4096
    moves = [one for one in said if isinstance(one, Moved)]
    assert moves[-1].done_bytes == moves[-1].of_bytes == 48 * CHUNK + 4096


@pytest.mark.root
@pytest.mark.parametrize("how", ["the word", "the end of stdin", "SIGTERM", "SIGHUP"])
def test_a_visit_stops_at_its_checkpoint_when_it_is_asked_to(
    place: Place, node: str, image: Path, how: str
) -> None:
    """I6: however it is asked; when the service is dead its end of the pipe says so."""
    before = image.read_bytes()
    place.policy.write_text(POLICY + SLOWLY, encoding="utf-8")
    process = worker(place, "visit", node, *REFRESH)
    assert process.stdin is not None
    assert process.stdout is not None
    for line in process.stdout:
        if b'"moved"' in line:
            break
    if how == "the word":
        process.stdin.write(b"stop\n")
        process.stdin.flush()
    elif how == "the end of stdin":
        process.stdin.close()
    else:
        process.send_signal(getattr(signal, how))

    end = ended(heard(process))

    assert end.error is not None
    assert (end.error.kind, end.is_complete) == ("PassStoppedError", False)
    assert process.returncode == 4
    assert place.kinds()[-1] == "pass-interrupted"
    assert image.read_bytes() == before


@pytest.mark.root
def test_a_drive_that_is_in_use_ends_the_visit_before_it_begins(
    place: Place, node: str, tmp_path: Path
) -> None:
    """A guard's refusal travels as what it is, without a report."""
    with Path(node).open("rb+"):
        end = ended(heard(worker(place, "visit", node, *REFRESH)))

    assert end.error is not None
    assert (end.error.kind, end.report) == ("MediumInUseError", None)


@pytest.mark.root
def test_release_says_what_was_done(place: Place, node: str) -> None:
    """In words for the slip."""
    (done,) = heard(worker(place, "release", node))

    assert isinstance(done, Released)
    assert done.how == "flushed, nothing to spin down"


@pytest.mark.root
def test_the_policy_is_the_one_that_was_handed_over(place: Place, node: str) -> None:
    """What the file holds by now may have been refused."""
    place.policy.write_text("[visits]\nbays = 0\n", encoding="utf-8")
    process = worker(place, "visit", node, "--policy-text", *REFRESH)
    assert process.stdin is not None
    process.stdin.write(json.dumps(POLICY).encode() + b"\n")
    process.stdin.flush()

    assert ended(heard(process)).is_complete


# --- What it says, without a process


def test_movement_is_told_a_few_times_a_second_and_each_new_step_at_once() -> None:
    """A pass moves thousands of times a second on a fast disk; nobody reads so much."""
    clock = SimulatedClock()
    read, write = os.pipe()
    speaker = Speaker(write, clock, StopRequest())
    for step in range(100):
        speaker.moved(step, 1000, "reading")
        clock.sleep(MOVED_EVERY_S / 10)
    speaker.moved(100, 1000, "rewriting")
    speaker.moved(1000, 1000, "rewriting")
    os.close(write)
    with os.fdopen(read, "rb") as file:
        told = [MESSAGES.validate_json(line) for line in file]

    assert len(told) == 12
    assert [one.doing for one in told[-2:] if isinstance(one, Moved)] == ["rewriting"] * 2


def test_a_service_that_does_not_read_any_more_is_a_reason_to_stop() -> None:
    """I6: nobody hears how it goes, so the pass stops at its checkpoint."""
    request = StopRequest()
    read, write = os.pipe()
    os.close(read)
    Speaker(write, SimulatedClock(), request).said("Anybody there?")
    os.close(write)

    assert request.is_asked


def test_what_hangs_is_named_with_its_place_while_it_is_waited_for() -> None:
    """The pass gives up after minutes only; the archivist wants to know before."""
    clock, said = SimulatedClock(), list[str]()
    requests = OpenRequests(clock)
    watch = SilenceWatch(requests, clock, said.append)
    with requests.asking("/dev/sdb: reading 4096 bytes at byte 8192"):
        watch.look()
        clock.sleep(LONG_S)
        watch.look()
        watch.look()
        clock.sleep(LONG_S)
    watch.look()

    assert said == [
        "/dev/sdb: reading 4096 bytes at byte 8192: no answer for 30 seconds.",
        "/dev/sdb: reading 4096 bytes at byte 8192: answered after 60 seconds.",
    ]
