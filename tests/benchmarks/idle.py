"""What a daemon costs that has nothing to do: ``python -m tests.benchmarks.idle [MINUTES]``.

A shelf of 1,000 drives in care, each with a pass in its history, and a daemon that serves it.
Resident memory is that of /proc/PID/smaps_rollup once it is ready and at the end; time of the
processor is that of /proc/PID/stat between the two, of all its threads, shared out over the
minutes. Aims: at most 100 MB, and 0.1 % of a core over ten minutes.
"""

from __future__ import annotations

import os
import sys
import tempfile
from datetime import timedelta
from pathlib import Path
from threading import Event as Moment

from refreshd.configfile import LoadedPolicy
from refreshd.policy import Policy
from refreshd.quantities import DriveNumber, PassKind
from refreshd.simulated.clock import SimulatedClock
from refreshd.wiring.shelf import shelf_for_writing
from refreshd.wiring.station import Station, real_clock
from tests.builders import begun, ended, taken_in
from tests.fakes.house import Silent
from tests.fakes.running import Daemon, Place

DRIVES = 1000
MINUTES = 10.0
CHUNKS = 64
MIB = 1 << 20
TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def build(place: Place) -> None:
    """Take a thousand drives into care, and refresh each, all by events through the ledger."""
    now = real_clock().now().replace(microsecond=0)  # the daemon's own clock must come after it
    station = Station(place.state, LoadedPolicy(Policy()), SimulatedClock(now), Silent())
    with shelf_for_writing(station) as shelf:
        for turn in range(DRIVES):
            number = DriveNumber(f"K{turn:04}")
            refresh = begun(2, PassKind.REFRESH, number)
            written = (now - timedelta(days=turn)).date()
            for event in (*taken_in(CHUNKS, number), refresh, ended(refresh, written)):
                shelf.ledger.record(event)


def resident_mib(daemon: Daemon) -> float:
    """Return the resident memory of a daemon, in MiB."""
    text = Path(f"/proc/{daemon.process.pid}/smaps_rollup").read_text(encoding="ascii")
    (line,) = (one for one in text.splitlines() if one.startswith("Rss:"))
    return int(line.split()[1]) * 1024 / MIB


def processor_s(daemon: Daemon) -> float:
    """Return the time of the processor that a daemon has used, in seconds."""
    text = Path(f"/proc/{daemon.process.pid}/stat").read_text(encoding="ascii")
    fields = text.rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


def main(minutes: float) -> None:
    """Measure, and print."""
    with tempfile.TemporaryDirectory() as folder:
        place = Place(Path(folder))
        place.policy.write_text("[visits]\nbays = 2\n", encoding="utf-8")
        build(place)
        with place.serving() as daemon:
            daemon.until("Ready")
            Moment().wait(10)  # What the start leaves to be done is not idling.
            before_s, first = processor_s(daemon), resident_mib(daemon)
            Moment().wait(minutes * 60)
            used_s, last = processor_s(daemon) - before_s, resident_mib(daemon)
            place.ask("status")
            asked = resident_mib(daemon)
    sys.stdout.write(
        f"{DRIVES} drives in care, {minutes:g} minutes\n"
        f"resident: {first:.1f} MiB at first, {last:.1f} MiB at the end, "
        f"{asked:.1f} MiB after a request\n"
        f"processor: {used_s:.2f} s, {100 * used_s / (minutes * 60):.3f} % of a core\n"
    )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else MINUTES)
