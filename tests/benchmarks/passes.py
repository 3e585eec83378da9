"""How fast are the passes, measured beside `fio` on the same device in the same run?

    python -m tests.benchmarks.passes [--folder DIR] [--size-gib 8] [--rounds 5]
        [--only disk,memory,capped,peak]

Needs root (loop devices), `fio`, and room for twice the size in DIR, which must lie on a disk.
It is no test: it prints ratios and asserts nothing.

Method. First `fio` finds its best setting for direct sequential reads and for writes of the
loop device, and of a file where the staging ring lies: blocks of 1 and 4 MiB at depth 1 and 4,
three times each, the best median. Then, in every round, `fio` runs at these settings, and an
accession, a fixity and a refresh pass run on the same device in a process of their own. From
`fio`'s four rates of the round follows the least time for the same transfers: read, stage, read
the staged back, write, read back. The ratios are taken round by round, so that a machine whose
speed drifts does not spoil them; the median and the spread are printed.

- disk: device and staging on the folder's disk.
- memory: both on memory, which shows the program's own ceiling.
- capped: both on memory, device held to 200 MB/s by the kernel's block throttle, so that any
  time lost between two requests shows.
- peak: peak memory of a refresh of 1 GiB and of 16 GiB.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

from refreshd.configfile import load_or_built_in
from refreshd.passes.bench import PassReport
from refreshd.quantities import GIB, MIB, DriveNumber, MediumKind
from refreshd.wiring.station import Station, real_clock

MEMORY = Path("/dev/shm")  # noqa: S108 - memory is what is wanted here.
CAP_BYTES_PER_S = 200_000_000
THROTTLE = Path("/sys/fs/cgroup/blkio")
FIO_BLOCKS = ("1M", "4M")
FIO_DEPTHS = (1, 4)
NUMBER = DriveNumber("B01")


class Nobody:
    """Watches no pass."""

    def wants_stop(self) -> bool:
        """Never."""
        return False

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Hear nothing."""

    def said(self, sentence: str) -> None:
        """Hear nothing."""


@dataclass(frozen=True)
class Rates:
    """The best rates that fio reached, in bytes per second."""

    read: float
    write: float
    stage_read: float
    stage_write: float

    def least_refresh_s(self, size: int) -> float:
        """Return the least time for the transfers of a refresh pass of so many bytes."""
        return size * (2 / self.read + 1 / self.write + 1 / self.stage_read + 1 / self.stage_write)


@dataclass(frozen=True)
class Round:
    """What one round gave."""

    rates: Rates
    fixity_s: float
    refresh_s: float
    peak_bytes: int


@dataclass(frozen=True)
class Job:
    """Direct sequential transfers of one kind, as fio is asked for them."""

    target: str
    kind: str
    size: int
    group: Path | None
    block: str = "1M"
    depth: int = 1

    def at_its_best(self) -> Job:
        """Return the job with the block and depth whose median rate is the best."""
        settings = [
            replace(self, block=block, depth=depth) for block in FIO_BLOCKS for depth in FIO_DEPTHS
        ]
        if self.group is not None:
            return settings[-1]  # held to the cap, they are all alike
        return max(settings, key=lambda job: statistics.median(fio(job) for _ in range(3)))


def fio(job: Job) -> float:
    """Return the rate of one run of fio, in bytes per second."""
    words = [
        "fio",
        "--name=x",
        f"--filename={job.target}",
        f"--rw={job.kind}",
        f"--bs={job.block}",
        f"--iodepth={job.depth}",
        "--ioengine=libaio",
        "--direct=1",
        f"--size={job.size}",
        "--end_fsync=1",
        "--allow_file_create=0",
        "--output-format=json",
    ]
    told = subprocess.run(
        words,
        check=True,
        capture_output=True,
        preexec_fn=_joining(job.group),
    )
    return float(json.loads(told.stdout)["jobs"][0][job.kind]["bw_bytes"])


def _joining(group: Path | None) -> Callable[[], None] | None:
    if group is None:
        return None

    def join() -> None:
        (group / "cgroup.procs").write_text("0")

    return join


@contextmanager
def loop_device(folder: Path, size: int) -> Iterator[str]:
    """Make a loop device of random bytes over a file in `folder`, with direct I/O if it can be."""
    image = folder / "drive.img"
    block = Random(1).randbytes(64 * MIB)
    with image.open("wb") as out:
        for _ in range(size // len(block)):
            out.write(block)
        out.flush()
        os.fsync(out.fileno())
    device = subprocess.run(
        ["losetup", "--find", "--show", "--direct-io=on", str(image)],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    try:
        yield device
    finally:
        subprocess.run(["losetup", "--detach", device], check=True)
        image.unlink()


@contextmanager
def capped_group(device: str) -> Iterator[Path]:
    """Make a control group that is held to the cap on `device`, each way."""
    group = THROTTLE / f"benchmark-{os.getpid()}"
    group.mkdir()
    number = Path(device).stat().st_rdev
    for way in ("read", "write"):
        (group / f"blkio.throttle.{way}_bps_device").write_text(
            f"{os.major(number)}:{os.minor(number)} {CAP_BYTES_PER_S}"
        )
    try:
        yield group
    finally:
        group.rmdir()


def passes(device: str, state: Path, group: Path | None) -> tuple[float, float, int]:
    """Run the passes in a process of their own; return seconds of fixity and refresh, and peak."""
    words = [sys.executable, "-m", "tests.benchmarks.passes", "--child", device, str(state)]
    told = subprocess.run(
        words,
        check=True,
        stdout=subprocess.PIPE,
        preexec_fn=_joining(group),
    )
    fixity_s, refresh_s, peak = json.loads(told.stdout.splitlines()[-1])
    return fixity_s, refresh_s, peak


def child(device: str, state: Path) -> None:
    """Run accession, fixity and refresh; print seconds and peak memory as JSON."""
    from refreshd.verbs.care import Accession, take_in  # noqa: PLC0415
    from refreshd.verbs.passes import check, refresh  # noqa: PLC0415

    station = Station(
        state=state,
        policy=load_or_built_in(state / "policy.toml"),
        clock=real_clock(),
        attendant=Nobody(),
        staging_objection=lambda _directory, _medium: None,
    )
    wish = Accession(
        path=device,
        number=NUMBER,
        shelfmark="bench",
        title="random bytes",
        medium=MediumKind.HARD_DISK,
    )
    _sound(take_in(station, wish).report)
    fixity = _sound(check(station, NUMBER, device))
    began = time.perf_counter()
    _sound(refresh(station, NUMBER, device))
    refresh_s = time.perf_counter() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    sys.stdout.write(json.dumps([fixity.seconds, refresh_s, peak]) + "\n")


def _sound(report: PassReport | None) -> PassReport:
    if report is None or report.stopped_by is not None or report.findings:
        raise RuntimeError(f"the pass did not end well: {report}")
    return report


@dataclass(frozen=True)
class Bench:
    """One setting: a device, a folder for record and staging, and fio's jobs for both."""

    folder: Path
    device: str
    size: int
    group: Path | None
    read: Job
    write: Job
    stage_read: Job
    stage_write: Job

    def one_round(self) -> Round:
        """Measure fio and the passes once."""
        state = Path(tempfile.mkdtemp(prefix="state-", dir=self.folder))
        try:
            rates = Rates(
                read=fio(self.read),
                write=fio(self.write),
                stage_read=fio(self.stage_read),
                stage_write=fio(self.stage_write),
            )
            fixity_s, refresh_s, peak = passes(self.device, state, self.group)
        finally:
            shutil.rmtree(state)
        return Round(rates, fixity_s, refresh_s, peak)


def bench_at(folder: Path, device: str, size: int, group: Path | None) -> Bench:
    """Let fio find its best settings."""
    stage = folder / "stage.bin"
    stage_bytes = min(size, 2 * GIB)
    with stage.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, stage_bytes)
    jobs = [
        Job(target, kind, length, held).at_its_best()
        for target, length, held in ((device, size, group), (str(stage), stage_bytes, None))
        for kind in ("write", "read")
    ]
    for job in jobs:
        say(f"  fio's best {job.kind:5} of {Path(job.target).name}: {job.block}, depth {job.depth}")
    write, read, stage_write, stage_read = jobs
    return Bench(folder, device, size, group, read, write, stage_read, stage_write)


def measure(name: str, folder: Path, size: int, rounds: int, *, is_capped: bool) -> None:
    """Run the rounds of one setting and print them."""
    with ExitStack() as made:
        device = made.enter_context(loop_device(folder, size))
        group = made.enter_context(capped_group(device)) if is_capped else None
        say(f"{name}: {size / GIB:.0f} GiB, {rounds} rounds")
        bench = bench_at(folder, device, size, group)
        results = [bench.one_round() for _ in range(rounds)]
    (folder / "stage.bin").unlink()
    fixity = [(size / one.fixity_s) / one.rates.read for one in results]
    refresh = [one.refresh_s / one.rates.least_refresh_s(size) for one in results]
    say(f"  fio read, MB/s            {spread([one.rates.read / 1e6 for one in results], 0)}")
    say(f"  fio write, MB/s           {spread([one.rates.write / 1e6 for one in results], 0)}")
    say(f"  fixity, MB/s              {spread([size / one.fixity_s / 1e6 for one in results], 0)}")
    say(f"  refresh, MB/s of drive    {spread([size / one.refresh_s / 1e6 for one in results], 0)}")
    say(f"  fixity rate / fio read    {spread(fixity, 2)}   (aim >= 0.95)")
    say(f"  refresh time / least time {spread(refresh, 2)}   (aim <= 1.10)")
    say(f"  peak memory, MB           {spread([one.peak_bytes / 1e6 for one in results], 0)}")


def peak(folder: Path) -> None:
    """Print the peak memory of small and large drives."""
    for gib in (1, 16):
        state = Path(tempfile.mkdtemp(prefix="state-", dir=folder))
        try:
            with loop_device(folder, gib * GIB) as device:
                _, _, used = passes(device, state, None)
        finally:
            shutil.rmtree(state)
        say(f"peak memory of all passes over {gib} GiB: {used / 1e6:.0f} MB   (aim <= 200)")


def spread(values: list[float], digits: int) -> str:
    """Return median, minimum and maximum as text."""
    low, middle, high = min(values), statistics.median(values), max(values)
    return f"{middle:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def say(line: str) -> None:
    """Print one line at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main() -> None:
    """Parse, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))  # noqa: S108
    parser.add_argument("--size-gib", type=int, default=8)
    parser.add_argument("--memory-gib", type=int, default=4)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", default="disk,memory,capped,peak")
    parser.add_argument("--child", nargs=2, metavar=("DEVICE", "STATE"))
    told = parser.parse_args()
    if told.child:
        child(told.child[0], Path(told.child[1]))
        return
    wanted = told.only.split(",")
    with ExitStack() as made:
        folders = {
            where: Path(made.enter_context(tempfile.TemporaryDirectory(dir=where)))
            for where in (told.folder, MEMORY)
        }
        if "disk" in wanted:
            measure("disk", folders[told.folder], told.size_gib * GIB, told.rounds, is_capped=False)
        if "memory" in wanted:
            measure("memory", folders[MEMORY], told.memory_gib * GIB, told.rounds, is_capped=False)
        if "capped" in wanted:
            measure("capped", folders[MEMORY], told.memory_gib * GIB, told.rounds, is_capped=True)
        if "peak" in wanted:
            peak(folders[told.folder])


if __name__ == "__main__":
    main()
