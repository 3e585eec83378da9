"""Proving on real block devices: loop devices, and a file that lies behind them."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from refreshd.quantities import MIB
from tests import loops
from tests.fakes.counter import Counter, World
from tests.faulty_file import FaultyFile, served

pytestmark = pytest.mark.root

SIZE = 48 * MIB
POLICY = '[defaults]\nreadback_lag = "8 MiB"\n'


@pytest.fixture
def counter(tmp_path: Path) -> Counter:
    """Return a counter over an empty shelf."""
    policy = tmp_path / "policy.toml"
    policy.write_text(POLICY, encoding="utf-8")
    return Counter(World(is_root=True), tmp_path / "state", policy)


@pytest.fixture
def blank(tmp_path: Path) -> Iterator[str]:
    """Return the node of a drive as new."""
    file = tmp_path / "new.img"
    file.write_bytes(bytes(SIZE))
    with loops.attached(file) as node:
        yield node


def prove(counter: Counter, *words: str | Path) -> dict[str, object]:
    """Prove a drive to its certificate."""
    said = counter.run("prove", *words, "--json")
    assert said.code in {0, 1}, said
    return said.json


def step(told: dict[str, object], name: str) -> tuple[str, str]:
    """Return the worst outcome of a step, and what it says."""
    results = told["results"]
    assert isinstance(results, list)
    own = [one for one in results if one["step"] == name]
    if not own:
        return "", ""
    order = ["success", "warning", "fail"]
    worst = max((one["outcome"] for one in own), key=order.index)
    return worst, " ".join(s for one in own for s in one["sentences"])


def assert_all_compared(told: dict[str, object]) -> None:
    """All of it was right; of a loop device it is said that memory may have answered."""
    outcome, said = step(told, "reading")

    assert outcome == "warning"
    assert "was read and compared, but what was written to the file may still" in said


def test_a_new_disk_is_written_and_read_back(counter: Counter, blank: str) -> None:
    """A real device, with direct I/O on real threads, ends in a certificate of the journal."""
    told = prove(counter, blank)

    assert step(told, "capacity")[0] == "success"
    assert step(told, "writing")[0] == "success"
    assert_all_compared(told)
    assert told["record"]["sequence"] > 0  # type: ignore[index] # JSON
    again = counter.run("prove", "--show", str(told["proving"]))
    assert f"SHA-256 {told['record']['digest']}" in again.out  # type: ignore[index] # JSON


@pytest.mark.parametrize("kind", ["ext4", "partition table", "noise", "noise at the end"])
def test_a_disk_with_content_is_not_written_over(
    counter: Counter, tmp_path: Path, kind: str
) -> None:
    """P1: a file system, a table with nothing in it, and bytes without any mark are content."""
    file = tmp_path / "old.img"
    file.write_bytes(bytes(SIZE))
    if kind == "ext4":
        loops.run("mkfs.ext4", "-q", file)
    elif kind == "partition table":
        loops.need("sfdisk")
        table = tmp_path / "table"
        table.write_text("label: gpt\n", encoding="utf-8")
        with table.open(encoding="utf-8") as words:
            _sfdisk(file, words.read())
    else:
        start = 0 if kind == "noise" else SIZE - 5000
        with file.open("r+b") as handle:
            handle.seek(start)
            handle.write(Random(5).randbytes(4096))
    before = file.read_bytes()
    with loops.attached(file) as node:
        once = counter.run("prove", node, "--erase", "--json")
        other = counter.run("prove", node, "--erase", "--erase-drive", "4711", "--json")
        told = prove(counter, node)
    assert file.read_bytes() == before

    for refused in (once, other):
        assert refused.code == 3
        assert f'--erase --erase-drive "{SIZE}"' in refused.error
    assert told["plan"]["is_writing"] is False  # type: ignore[index] # JSON


def _sfdisk(file: Path, table: str) -> None:
    words = file.with_suffix(".sfdisk")
    words.write_text(table, encoding="utf-8")
    loops.run("sh", "-c", f"sfdisk --quiet {file} < {words}")


def test_a_disk_with_content_is_written_over_when_told_twice(
    counter: Counter, tmp_path: Path
) -> None:
    """With the exact words of the refusal the content goes, and the drive is proved."""
    file = loops.noise_file(tmp_path / "old.img", SIZE)
    with loops.attached(file) as node:
        told = prove(counter, node, "--erase", "--erase-drive", str(SIZE))

    assert told["plan"]["is_erasing"] is True  # type: ignore[index] # JSON
    assert_all_compared(told)


def test_a_disk_that_is_mounted_is_refused(counter: Counter, tmp_path: Path) -> None:
    """What anything uses is not proved, erased or even looked at."""
    file = tmp_path / "old.img"
    file.write_bytes(bytes(SIZE))
    loops.run("mkfs.ext4", "-q", file)
    with loops.attached(file) as node, loops.mounted(node, tmp_path / "point"):
        said = counter.run("prove", node, "--erase", "--erase-drive", str(SIZE), "--json")

    assert said.code == 3
    assert "in use" in said.error


def test_a_drive_in_care_is_refused_whatever_is_said(counter: Counter, tmp_path: Path) -> None:
    """A drive of the shelf is never proved: its content is what all of this is for."""
    file = loops.noise_file(tmp_path / "kept.img", SIZE)
    with loops.attached(file) as node:
        words = ("--number", "K07", "--shelfmark", "R1", "--title", "Harbour survey")
        assert counter.run("accession", node, *words).code == 0
        before = file.read_bytes()
        said = counter.run("prove", node, "--erase", "--erase-drive", str(SIZE), "--json")
    assert file.read_bytes() == before

    assert said.code == 3
    assert "in care" in said.error
    assert "refreshd fixity K07" in said.error


@pytest.fixture
def lying(tmp_path: Path) -> Iterator[tuple[FaultyFile, str]]:
    """Return a file that may lie, and the node of the disk over it."""
    with served(bytes(SIZE), tmp_path / "point") as file:
        file.is_uncached = True  # or the memory of this server would answer for it
        with loops.attached(file.path) as node:
            yield file, node


def test_a_disk_that_wraps_round_is_caught_to_the_byte(
    counter: Counter, lying: tuple[FaultyFile, str]
) -> None:
    """A file behind a loop device that holds less than it claims is found out by its markers."""
    file, node = lying
    file.real_bytes = 13 * MIB + 37 * 512

    told = prove(counter, node)

    outcome, says = step(told, "capacity")
    assert outcome == told["outcome"] == "fail"
    assert f"({file.real_bytes} bytes)" in says


def test_a_disk_that_forgets_what_lies_past_its_end_is_caught(
    counter: Counter, lying: tuple[FaultyFile, str]
) -> None:
    """So is one that takes every write and keeps none of those past its end."""
    file, node = lying
    file.real_bytes, file.is_dropping = 13 * MIB, True

    told = prove(counter, node)

    assert step(told, "capacity")[0] == "fail"
    assert "is kept" in step(told, "capacity")[1]
    assert "writing" not in [one["step"] for one in told["results"]]  # type: ignore[attr-defined]


def test_a_sector_that_cannot_be_read_is_located(
    counter: Counter, lying: tuple[FaultyFile, str]
) -> None:
    """The kernel's own error on a real device becomes a place in a sentence."""
    file, node = lying
    place = 21 * MIB + 3 * 4096 + 512
    file.bad = {range(place, place + 512): 5}

    told = prove(counter, node)

    # The loop driver may tell nobody of a write that ended early; then the reading finds it.
    says = step(told, "writing")[1] + step(told, "reading")[1]
    assert told["outcome"] == "fail"
    assert f"From byte {place} on, 512 bytes" in says


def test_a_disk_that_cannot_be_read_where_its_identity_stands_is_not_written_to(
    counter: Counter, lying: tuple[FaultyFile, str]
) -> None:
    """One in care that fails at its beginning must not pass for a stranger's."""
    file, node = lying
    file.bad = {range(4096, 8192): 5}

    said = counter.run("prove", node, "--json")

    assert said.code == 4
    assert "it cannot be told which drive this is" in said.error


def test_a_killed_proving_goes_on_from_its_checkpoint(counter: Counter, blank: str) -> None:
    """I6: SIGKILL in the middle of the writing costs nothing but the time since the checkpoint."""
    assert counter.policy is not None
    counter.policy.write_text(f'{POLICY}rate_limit = "12 MB/s"\n', encoding="utf-8")
    process = counter.process("prove", blank)
    assert process.stderr is not None
    for line in process.stderr:
        if line.startswith("writing the pattern"):
            os.kill(process.pid, signal.SIGKILL)
            break
    process.communicate()
    counter.policy.write_text(POLICY, encoding="utf-8")

    listed = counter.run("prove", "--list", "--json").json
    told = prove(counter, blank)

    assert [one["step"] for one in listed["unfinished"]] == ["writing"]
    assert told["proving"] == "P1"
    assert_all_compared(told)
