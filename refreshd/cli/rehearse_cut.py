"""The process that is killed in a rehearsal: one real verb, with a stage that kills it.

Run as ``python -m refreshd.cli.rehearse_cut STAGE WORDS...`` by the rehearsal alone.
"""

from __future__ import annotations

import os
import sys

from refreshd.cli.main import main
from refreshd.cli.rehearse import fitted
from refreshd.cli.world import World
from refreshd.rehearsal.stage import Stage
from refreshd.wiring.station import real_clock


def run() -> int:
    """Run one verb on the stage; return its exit code, if it comes to that."""
    clock = real_clock()
    stage = Stage.from_json(sys.argv[1], clock)
    world = World(os.environ, sys.stdout, sys.stdout, clock, is_root=os.geteuid() == 0)
    return main(sys.argv[2:], fitted(world, stage))[0]


if __name__ == "__main__":
    sys.exit(run())
