"""A disk that stands still is left alone, and is asked nothing but that."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

import pytest

from refreshd.adapters.image import ImageFile
from refreshd.cards import Carrier, Evidence
from refreshd.configfile import load
from refreshd.events import HealthRead
from refreshd.quantities import MIB, DriveNumber
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.examiner import SimulatedExaminer
from refreshd.verbs.care import Accession, take_in
from refreshd.verbs.health_reading import read_health
from refreshd.wiring.media import WorkableMedium
from refreshd.wiring.station import Station
from tests.fakes.room import QuietAttendant

K07 = DriveNumber("K07")


class OwnDrive(ImageFile):
    """An image that passes for a drive."""

    def evidence(self) -> Evidence:
        """Return what it says."""
        said = super().evidence()
        own = replace(said, carrier=Carrier.BLOCK, model="INVENTED", serial="INV-1")
        return replace(own, has_own_names=True)


@dataclass
class Sleeper(SimulatedExaminer):
    """One that says whether it stands still."""

    sleeps: bool | None = True

    def is_asleep(self) -> bool | None:
        """Say what is set."""
        return self.sleeps


@dataclass
class Rig:
    """A drive in care, and how often it was opened, which asks it for its name."""

    path: Path
    state: Path
    examiner: Sleeper
    opened: int = 0

    def open(self, path: str) -> WorkableMedium:
        """Open it."""
        self.opened += 1
        return OwnDrive.open(path)

    def station(self) -> Station:
        """Return the station that it stands at."""
        policy = self.path.parent / "policy.toml"
        policy.write_text('[defaults]\nchunk_size = "64 KiB"\n', encoding="utf-8")
        return Station(
            self.state,
            load(policy),
            SimulatedClock(),
            QuietAttendant(),
            open_medium=self.open,
            examiner_of=lambda _: self.examiner,
            examiner_at=lambda _: self.examiner,
        )

    def read(self) -> HealthRead | None:
        """Ask it how it is, if it turns."""
        self.opened = self.examiner.questions = 0
        return read_health(self.station(), K07, str(self.path), lets_sleep=True)


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    """Return a drive in care."""
    path = tmp_path / "inv.img"
    path.write_bytes(Random(7).randbytes(MIB))
    made = Rig(path, tmp_path / "state", Sleeper())
    take_in(made.station(), Accession(str(path), K07, "R2-B04-S3", "Harbour survey"))
    return made


@pytest.mark.parametrize("sleeps", [True, None])
def test_a_disk_that_stands_still_is_not_even_asked_for_its_name(
    rig: Rig,
    sleeps: bool | None,  # noqa: FBT001 - the parameter of a test.
) -> None:
    """Some drives start up to say it; one that says nothing is taken for one that sleeps (E2)."""
    rig.examiner.sleeps = sleeps

    assert rig.read() is None
    assert rig.opened == 0
    assert rig.examiner.questions == 0


def test_a_disk_that_turns_is_asked(rig: Rig) -> None:
    """It is found by its name first, so that no other drive answers for it."""
    rig.examiner.sleeps = False

    assert isinstance(rig.read(), HealthRead)
    assert rig.opened > 0


def test_what_is_no_disk_is_not_asked_whether_it_sleeps(rig: Rig) -> None:
    """A real station finds nobody to ask behind an image file."""
    real = Station(rig.state, rig.station().policy, SimulatedClock(), QuietAttendant())

    assert real.examiner_at(str(rig.path)) is None
