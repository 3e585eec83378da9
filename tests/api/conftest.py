"""A place for sockets that other users can reach, and a shelf with one drive."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.policy_tables import AccessRules
from refreshd.quantities import DriveNumber
from refreshd.verbs.care import Accession, take_in
from refreshd.wiring.station import Station
from tests.fakes.house import House, a_station, serving
from tests.fakes.neighbour import ACTING, LOOKING

TWO_GROUPS = AccessRules(look_group=LOOKING, act_group=ACTING)


@pytest.fixture
def place() -> Iterator[Path]:
    """Return a short path that everybody may reach: the name of a socket has 107 bytes."""
    path = Path(tempfile.mkdtemp(prefix="refreshd-"))
    path.chmod(0o755)
    yield path
    shutil.rmtree(path)


@pytest.fixture
def station(tmp_path: Path) -> Station:
    """Return a station with drive K07 in care, an image file."""
    station = a_station(tmp_path / "state")
    image = tmp_path / "k07.img"
    image.write_bytes(b"glass plates" * 4096)
    take_in(station, Accession(str(image), DriveNumber("K07"), "R2-B04", "Glass plates"))
    return station


@pytest.fixture
def house(place: Path, station: Station) -> Iterator[House]:
    """Return an interface that serves, with one group that may look and one that may act."""
    with serving(place / "socket", station, access=TWO_GROUPS) as house:
        yield house
