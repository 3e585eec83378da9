"""How fast is a proving, measured beside `dd` on the same device in the same run?

    python -m tests.benchmarks.proving [--folder DIR] [--size-mib 4096] [--rounds 5]

Needs root (loop devices) and `dd`. It is no test: it prints ratios and asserts nothing.

Method. In each round `dd` writes zeros over a loop device with direct I/O and a flush at the end,
then reads all of it; then a drive is proved on the same device. Compared are the writing and the
reading of the proving, by the rates in its certificate and its journal, with those of `dd` in the
same round, so that a machine whose speed drifts does not spoil the ratio. A proving does more in
that time: it makes the pattern, and digests what it reads. How fast that goes without a drive is
measured apart. The folder should lie on a disk; /dev/shm shows the program's own ceiling.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from refreshd.configfile import load_or_built_in
from refreshd.fixity import digest
from refreshd.passes.proving.pattern import Pattern, Use
from refreshd.ports import ProvingWish
from refreshd.quantities import MIB
from refreshd.verbs.proving import new_seed, prove
from refreshd.wiring.station import Station, real_clock
from tests.benchmarks.passes import loop_device

CHUNK = 4 * MIB


@dataclass
class StepClock:
    """`ports.Attendant` that notes when each step moved first and last."""

    begun: dict[str, float]
    ended: dict[str, float]

    def wants_stop(self) -> bool:
        """Never."""
        return False

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Note the time."""
        now = time.perf_counter()
        self.begun.setdefault(doing, now)
        if done_bytes == of_bytes:
            self.ended[doing] = now

    def said(self, sentence: str) -> None:
        """Note when the writing is flushed."""
        if sentence.startswith("Writing:"):
            self.ended["writing the pattern"] = time.perf_counter()


def tell(line: str) -> None:
    """Write a line at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def timed(act: Callable[[], object]) -> float:
    """Return how long something takes."""
    began = time.perf_counter()
    act()
    return time.perf_counter() - began


def dd(*words: str) -> float:
    """Return how long a run of dd takes."""
    return timed(lambda: subprocess.run(["dd", *words, "bs=4M", "status=none"], check=True))


def made_per_s() -> tuple[float, float]:
    """Return bytes a second of making the pattern, and of making and comparing it."""
    pattern = Pattern(new_seed(), Use.FILL, CHUNK)
    one, other = memoryview(bytearray(CHUNK)), memoryview(bytearray(CHUNK))
    pattern.fill(one, 0)
    times = 500

    def make() -> None:
        for chunk in range(times):
            pattern.fill(one, chunk * CHUNK)

    def compare() -> None:
        for chunk in range(times):
            pattern.fill(one, chunk * CHUNK)
            digest(one)
            digest(other)

    return times * CHUNK / timed(make), times * CHUNK / timed(compare)


def one_round(folder: Path, node: str, size: int) -> tuple[float, float, float, float]:
    """Return the seconds of dd writing and reading, and of a proving doing so."""
    dd_write = dd(
        "if=/dev/zero", f"of={node}", "oflag=direct", "conv=fsync", f"count={size // CHUNK}"
    )
    dd_read = dd(f"if={node}", "of=/dev/null", "iflag=direct")
    heard = StepClock({}, {})
    with tempfile.TemporaryDirectory(dir=folder) as state:
        policy = load_or_built_in(Path("/nonexistent"))
        station = Station(Path(state), policy, real_clock(), heard)
        prove(station, node, ProvingWish(is_anew=True))
    write, read = (
        heard.ended[doing] - heard.begun[doing]
        for doing in ("writing the pattern", "reading and comparing")
    )
    return dd_write, dd_read, write, read


def spread(values: list[float]) -> str:
    """Return the median with the range."""
    return f"{statistics.median(values):.2f} ({min(values):.2f} to {max(values):.2f})"


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    asked.add_argument("--size-mib", type=int, default=4096)
    asked.add_argument("--rounds", type=int, default=5)
    args = asked.parse_args()
    made, compared = made_per_s()
    tell(f"pattern: {made / 1e9:.1f} GB/s made, {compared / 1e9:.1f} GB/s made and compared")
    size = args.size_mib * MIB
    rounds = []
    with loop_device(args.folder, size) as node:
        for _ in range(args.rounds):
            rounds.append(one_round(args.folder, node, size))
            rates = "  ".join(f"{size / seconds / 1e6:6.0f}" for seconds in rounds[-1])
            tell(f"{rates} MB/s (dd writing, reading; proving writing, reading)")
    tell("writing, proving to dd: " + spread([dw / w for dw, _, w, _ in rounds]))
    tell("reading, proving to dd: " + spread([dr / r for _, dr, _, r in rounds]))
    both = [(dw + dr) / (w + r) for dw, dr, w, r in rounds]
    tell("writing and reading, proving to dd: " + spread(both))


if __name__ == "__main__":
    main()
