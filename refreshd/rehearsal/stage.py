"""The place of a rehearsal: a directory, a clock that jumps, drives that are image files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from refreshd.adapters.folder import MountedFolder
from refreshd.configfile import load
from refreshd.errors import UsageError
from refreshd.ports import Clock, Examiner, Medium
from refreshd.quantities import Span
from refreshd.rehearsal import invented_health
from refreshd.rehearsal.scenario import InventedDrive
from refreshd.rehearsal.stand_in import Faults, StandIn
from refreshd.wiring.media import WorkableMedium, open_medium
from refreshd.wiring.station import Station

POLICY_TEXT = """\
# The policy of a rehearsal: the built-in intervals, and pieces that suit drives of 24 MiB.

[medium.hard-disk]
refresh_interval = "3 years"
fixity_interval = "1 year"
chunk_size = "256 KiB"
segment_size = "2 MiB"
"""


HURRY = 200
"""A second of waiting takes so much less of the audience's time: a rest of minutes, a breath."""


@dataclass
class InventedClock:
    """`ports.Clock` that tells the time of another clock, moved by so much; it can jump."""

    real: Clock
    told: datetime

    def __post_init__(self) -> None:
        self._skipped_s = 0.0
        self.jump(self.told)

    def jump(self, to: datetime) -> None:
        """Go on from another moment."""
        self._moved_by = to - self.real.now()

    def now(self) -> datetime:
        """Return the invented time."""
        return self.real.now() + self._moved_by

    def elapsed_s(self) -> float:
        """Return seconds that passed, those included that nobody waited for."""
        return self.real.elapsed_s() + self._skipped_s

    def sleep(self, seconds: float) -> None:
        """Let time pass, most of it in the invented world alone."""
        really_s = seconds / HURRY
        self.real.sleep(really_s)
        self._skipped_s += seconds - really_s
        self._moved_by += timedelta(seconds=seconds - really_s)


@dataclass
class Stage:
    """
    What a `Station` is made of, in a rehearsal.

    Args:
        directory: Holds the images and the state directory.
        clock: Invented.
        faults: What the fault layer does, by the name of the image.
        hot: Images that play a drive which is too hot.
        failing: Images that play a drive which says that it is about to fail.

    """

    directory: Path
    clock: InventedClock
    faults: dict[str, Faults] = field(default_factory=dict)
    hot: set[str] = field(default_factory=set)
    failing: set[str] = field(default_factory=set)

    @property
    def state(self) -> Path:
        """The state directory."""
        return self.directory / "state"

    @property
    def policy_file(self) -> Path:
        """The policy of the rehearsal."""
        return self.state / "policy.toml"

    def image(self, drive: InventedDrive) -> str:
        """Return the path of the file that stands in for a drive."""
        return str(self.directory / drive.image)

    def set_up(self) -> None:
        """Make the directories and the policy file."""
        try:
            self.state.mkdir(mode=0o700, parents=True)
            self.policy_file.write_text(POLICY_TEXT, encoding="utf-8")
        except OSError as err:
            raise UsageError(
                f"{self.directory}: {err.strerror}; name another place with --keep, or set TMPDIR"
            ) from err

    def open_medium(self, path: str) -> WorkableMedium | MountedFolder:
        """Open an image with the fault layer over it."""
        medium = open_medium(path)
        if isinstance(medium, MountedFolder):
            return medium
        return StandIn(medium, self.faults.get(Path(medium.place).name, Faults()))

    def examiner_of(self, medium: Medium) -> Examiner:
        """Return whoever asks the drive that an image plays: all answers are invented."""
        name = Path(medium.place).name
        if name in self.failing:
            return invented_health.failing()
        return invented_health.hot(self.clock) if name in self.hot else invented_health.healthy()

    def fit(self, station: Station) -> Station:
        """Return a station as a rehearsal has it: faults, invented health, staging for show."""
        return replace(
            station,
            open_medium=self.open_medium,
            look_in=lambda: (),
            staging_objection=_staged_for_show,
            examiner_of=self.examiner_of,
        )

    def station(self) -> Station:
        """Return a station for what the rehearsal itself looks up."""
        return self.fit(Station(self.state, load(self.policy_file), self.clock, _Silent()))

    # A process of its own is handed the stage as text.

    def to_json(self, killed_in_write: Mapping[str, int]) -> str:
        """Return the stage as JSON; `killed_in_write` adds the cut, by the name of the image."""
        names = {*self.faults, *killed_in_write}
        return json.dumps(
            {
                "directory": str(self.directory),
                "now": self.clock.now().isoformat(),
                "failing": sorted(self.failing),
                "faults": {
                    name: {
                        "unreadable": [
                            [bad.start, bad.length]
                            for bad in self.faults.get(name, Faults()).unreadable
                        ],
                        "killed_in_write": killed_in_write.get(name),
                    }
                    for name in sorted(names)
                },
            }
        )

    @classmethod
    def from_json(cls, text: str, real: Clock) -> Stage:
        """Return the stage that `to_json` wrote down."""
        given = json.loads(text)
        faults = {
            name: Faults(
                tuple(Span(start, length) for start, length in one["unreadable"]),
                one["killed_in_write"],
            )
            for name, one in given["faults"].items()
        }
        now = datetime.fromisoformat(given["now"]).astimezone(UTC)
        clock = InventedClock(real, now)
        return cls(Path(given["directory"]), clock, faults, failing=set(given["failing"]))


def _staged_for_show(directory: str | Path, medium: str) -> str | None:  # noqa: ARG001 - the port's form.
    """Object to no place: in a rehearsal the copies protect nothing, and the story says so."""
    return None


class _Silent:
    """`ports.Attendant` of the checks that the rehearsal makes for itself."""

    def wants_stop(self) -> bool:
        """Never stop."""
        return False

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Say nothing."""

    def said(self, sentence: str) -> None:
        """Say nothing."""
