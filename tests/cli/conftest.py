"""A shelf to talk to through the command line, in this process and in others."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from tests.fakes.counter import CHUNK, Counter, World

POLICY = """\
[defaults]
chunk_size = "64 KiB"
segment_size = "256 KiB"
least_age = "none"
"""


@pytest.fixture
def policy(tmp_path: Path) -> Path:
    """Return a policy for drives of some MiB."""
    path = tmp_path / "policy.toml"
    path.write_text(POLICY, encoding="utf-8")
    return path


@pytest.fixture
def counter(tmp_path: Path, policy: Path) -> Counter:
    """Return a counter over an empty shelf."""
    return Counter(World(), tmp_path / "state", policy)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """Return an image of a drive of 2 MiB and a short last chunk."""
    path = tmp_path / "drive.img"
    path.write_bytes(Random(11).randbytes(32 * CHUNK + 4096))
    return path


@pytest.fixture
def k07(counter: Counter, image: Path) -> Path:
    """Return the image of a drive that was taken into care as K07."""
    assert counter.take_in(image).code == 0
    return image
