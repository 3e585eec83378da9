"""What does it cost a pass that its drive is asked how it is?

    python -m tests.benchmarks.watch [--folder DIR] [--size-mib 2048] [--rounds 7]

It is no test: it prints ratios and asserts nothing. Needs room for twice the size in DIR, which
lies in memory unless told otherwise, so that the program's own time is seen and not a disk's.

Method. Refreshes and fixity passes of one image, taken in turns without and with somebody who can
be asked, in the same process; the order changes with each round. The examiner answers at once with
real pages (bare), or takes 20 ms for each question, as a disk behind a bridge does (slow). It is
asked every second, fifteen times as often as the policy's default. Ratios are taken round by round.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random

from refreshd.configfile import LoadedPolicy
from refreshd.health_cards import Vital
from refreshd.passes.bench import PassReport
from refreshd.policy import Policy, Rules
from refreshd.ports import Examiner, Medium
from refreshd.quantities import MIB, DriveNumber, MediumKind
from refreshd.simulated.examiner import SimulatedExaminer
from refreshd.verbs.care import Accession, take_in
from refreshd.verbs.passes import check, refresh
from refreshd.wiring.station import Station, real_clock
from tests.benchmarks.passes import MEMORY, Nobody, say

NUMBER = DriveNumber("B01")
ANSWER_S = 0.02
CLOCK = real_clock()


class SlowExaminer(SimulatedExaminer):
    """Takes its time for each answer."""

    def vital(self) -> Vital:
        """Answer after a while."""
        CLOCK.sleep(ANSWER_S)
        return super().vital()


@dataclass(frozen=True)
class Setting:
    """One way to be asked, or not."""

    name: str
    examiner: Callable[[], Examiner | None]


SETTINGS = (
    Setting("nobody", lambda: None),
    Setting("bare", SimulatedExaminer),
    Setting("slow", SlowExaminer),
)


def policy() -> LoadedPolicy:
    """Return a policy that asks every second, which no policy file may."""
    rules = Rules.model_construct(temperature_every_s=1, least_age=None)
    return LoadedPolicy(Policy.model_construct(defaults=rules))


def station(state: Path, setting: Setting) -> Station:
    """Return a station whose image can be asked like a drive."""

    def asked(_medium: Medium) -> Examiner | None:
        return setting.examiner()

    return Station(
        state=state,
        policy=policy(),
        clock=CLOCK,
        attendant=Nobody(),
        staging_objection=lambda _directory, _medium: None,
        examiner_of=asked,
    )


def seconds(act: Callable[[], PassReport]) -> float:
    """Return how long a pass takes that ends well."""
    began = time.perf_counter()
    report = act()
    if report.stopped_by is not None or report.findings:
        raise RuntimeError(f"the pass did not end well: {report}")
    return time.perf_counter() - began


def measure(folder: Path, size: int, rounds: int) -> None:
    """Run all settings in turns, and print what each costs beside nobody."""
    image, state = folder / "drive.img", folder / "state"
    with image.open("wb") as out:
        for number in range(size // (64 * MIB)):
            out.write(Random(number).randbytes(64 * MIB))
    state.mkdir()
    wish = Accession(str(image), NUMBER, "bench", "random bytes", MediumKind.HARD_DISK)
    take_in(station(state, SETTINGS[0]), wish)
    found: dict[tuple[str, str], list[float]] = {}
    for number in range(rounds):
        for setting in (SETTINGS * 2)[number % len(SETTINGS) :][: len(SETTINGS)]:
            place = station(state, setting)
            for kind, run in (("fixity", check), ("refresh", refresh)):
                took = seconds(lambda run=run, place=place: run(place, NUMBER, str(image)))  # type: ignore[misc]
                found.setdefault((kind, setting.name), []).append(took)
    for kind in ("fixity", "refresh"):
        alone = found[kind, "nobody"]
        say(f"{kind}, nobody asked: {statistics.median(alone):.2f} s")
        for name in ("bare", "slow"):
            ratios = [one / other for one, other in zip(found[kind, name], alone, strict=True)]
            middle = statistics.median(ratios)
            say(f"  {name}: {middle:.3f} of it ({min(ratios):.3f} to {max(ratios):.3f})")


def main() -> None:
    """Read the command line and measure."""
    reader = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    reader.add_argument("--folder", type=Path, default=MEMORY)
    reader.add_argument("--size-mib", type=int, default=2048)
    reader.add_argument("--rounds", type=int, default=7)
    told = reader.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="watch-", dir=told.folder))
    try:
        measure(folder, told.size_mib * MIB, told.rounds)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
