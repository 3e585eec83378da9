"""Looking for a drive among what is plugged in: what is told when it is not found."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from refreshd.adapters.folder import MountedFolder
from refreshd.errors import DriveGoneError, MediumLockedError
from refreshd.wiring.media import WorkableMedium, open_medium
from tests import loops
from tests.fakes.counter import CHUNK, Counter


def test_a_doubt_about_another_drive_is_no_answer(
    counter: Counter, k07: Path, tmp_path: Path
) -> None:
    """K08 comes in a dock that hides its end: that says nothing of where K07 is."""
    other = tmp_path / "other.img"
    other.write_bytes(Random(12).randbytes(40 * CHUNK))
    assert counter.take_in(other, "K08").code == 0
    os.truncate(other, 39 * CHUNK)
    counter.world.fit = lambda station: replace(station, look_in=lambda: (str(other),))

    said = counter.ask("fixity", "K07")

    assert said.code == 3
    assert "K08" not in said.error
    assert "K07" in said.error
    kinds = [one["event"]["kind"] for one in counter.ask("journal", "show").json["entries"]]
    assert "identity-refused" not in kinds


def test_a_doubt_about_the_drive_itself_is_the_answer(counter: Counter, k07: Path) -> None:
    """K07 comes back with its end cut off: that is told, and written down."""
    os.truncate(k07, 32 * CHUNK)
    counter.world.fit = lambda station: replace(station, look_in=lambda: (str(k07),))

    said = counter.ask("fixity", "K07")

    assert said.code == 3
    assert "cut short" in said.error
    kinds = [one["event"]["kind"] for one in counter.ask("journal", "show").json["entries"]]
    assert kinds[-1] == "identity-refused"


def test_a_disk_that_fails_is_named_as_what_may_be_the_drive(
    counter: Counter, k07: Path, tmp_path: Path
) -> None:
    """Another disk that is dead does not stand for the drive that was asked for (exit 4)."""

    def dead(path: str) -> WorkableMedium:
        raise DriveGoneError(f"{path}: the drive is gone")

    counter.world.fit = lambda station: replace(
        station, look_in=lambda: (str(tmp_path / "other"),), open_medium=dead
    )

    said = counter.ask("fixity", "K07")

    assert said.code == 4
    assert said.error.startswith("K07 (Glass plates of the harbour survey, R2-B04-S3)")
    assert "other: the drive is gone" in said.error


@pytest.mark.root
def test_a_medium_in_use_is_named_as_what_may_be_the_drive(counter: Counter, k07: Path) -> None:
    """It cannot be looked at: which drive was asked for is told, and what stands in the way."""
    counter.world.fit = lambda station: replace(station, look_in=lambda: (str(k07),))
    with loops.attached(k07) as node:
        said = counter.ask("fixity", "K07")

    assert said.code == 3
    assert said.error.startswith("K07 (Glass plates of the harbour survey, R2-B04-S3)")
    assert f"losetup -d {node}" in said.error


@pytest.mark.root
def test_a_loop_device_is_found_again_without_its_name(counter: Counter, tmp_path: Path) -> None:
    """It is looked for among loop devices, whatever its number is now; others are passed over."""
    backing, other = tmp_path / "backing.img", tmp_path / "other.img"
    loops.noise_file(backing, 4 << 20)
    loops.noise_file(other, 4 << 20, seed=2)
    with loops.attached(backing) as node:
        assert counter.take_in(Path(node)).code == 0
    with loops.attached(other), loops.attached(backing):
        said = counter.ask("fixity", "K07")

    assert said.code == 0, said
    assert said.json["bytes_read"] == 4 << 20


@pytest.mark.parametrize(("tries", "code"), [(3, 0), (1_000, 3)])
def test_a_lock_that_passes_is_waited_for(
    counter: Counter, k07: Path, tries: int, code: int
) -> None:
    """Udev locks a disk for a moment after plug-in; one that stays locked is refused."""
    tried: list[str] = []

    def locked_at_first(path: str) -> WorkableMedium | MountedFolder:
        tried.append(path)
        if len(tried) < tries:
            raise MediumLockedError(f"{path}: another process holds a lock on this disk")
        return open_medium(path)

    counter.world.fit = lambda station: replace(station, open_medium=locked_at_first)

    assert counter.ask("fixity", "K07", "--on", k07).code == code
    assert len(tried) < 100
