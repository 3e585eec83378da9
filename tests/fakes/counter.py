"""Somebody at the counter: says words to the command line, hears its answer.

In this process with an invented clock, or through a process of its own.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from typing import Any

from refreshd.cli import world as cli_world
from refreshd.cli.main import main
from refreshd.quantities import KIB
from refreshd.simulated.clock import SimulatedClock
from refreshd.wiring.station import Station

CHUNK = 64 * KIB
ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Said:
    """What came back: exit code, stdout, stderr, and whether a request is still out."""

    code: int
    out: str
    err: str
    is_hung: bool = False

    @property
    def json(self) -> dict[str, Any]:
        """Return the one object on stdout; fails when there is another thing beside it."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found

    @property
    def error(self) -> str:
        """Return the message of the error in the object, which must agree with the exit code."""
        assert self.json["error"]["exit_code"] == self.code
        return str(self.json["error"]["message"])


@dataclass
class World:
    """What the process would see, all of it invented."""

    environ: Mapping[str, str] = field(default_factory=dict)
    clock: SimulatedClock = field(default_factory=SimulatedClock)
    is_root: bool = False
    fit: Callable[[Station], Station] = cli_world.as_it_is
    left: list[int] = field(default_factory=list)


@dataclass
class Counter:
    """Where words are said."""

    world: World
    state: Path
    policy: Path | None

    def bare(self, *words: str) -> Said:
        """Say these words alone."""
        out, err = StringIO(), StringIO()
        seen = cli_world.World(
            self.world.environ,
            out,
            err,
            self.world.clock,
            self.world.is_root,
            leave=self.world.left.append,
            fit=self.world.fit,
        )
        code, is_hung = main(words, seen)
        return Said(code, out.getvalue(), err.getvalue(), is_hung)

    def say(self, *words: str | Path) -> Said:
        """Say a verb, with the state directory and the policy before it."""
        return self.bare(*self.before, *map(str, words))

    def ask(self, *words: str | Path) -> Said:
        """Say a verb and want JSON; there must be one object, whatever the exit code is."""
        said = self.say(*words, "--json")
        assert ("error" in said.json) == (said.code > 1), said
        return said

    @property
    def before(self) -> tuple[str, ...]:
        """What stands before the verb."""
        policy = () if self.policy is None else ("--policy", str(self.policy))
        return ("--state", str(self.state), *policy)

    def take_in(self, path: Path, number: str = "K07", *more: str) -> Said:
        """Take a drive into care."""
        return self.ask(
            "accession",
            path,
            "--number",
            number,
            "--shelfmark",
            "R2-B04-S3",
            "--title",
            "Glass plates of the harbour survey",
            *more,
        )

    def process(self, *words: str | Path, **options: Any) -> subprocess.Popen[str]:  # noqa: ANN401 - Popen's own
        """Start a process that says a verb."""
        return subprocess.Popen(
            [sys.executable, "-m", "refreshd", *self.before, *map(str, words)],
            stdout=options.pop("stdout", subprocess.PIPE),
            stderr=options.pop("stderr", subprocess.PIPE),
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
            **options,
        )

    def run(self, *words: str | Path, **options: Any) -> Said:  # noqa: ANN401 - Popen's own
        """Say a verb in a process of its own, and wait for the end."""
        with self.process(*words, **options) as process:
            out, err = process.communicate(timeout=120)
        return Said(process.returncode, out or "", err or "")


def alter(path: Path, at: int, length: int = 1) -> None:
    """Change bytes of an image without changing anything else about it."""
    with path.open("r+b") as file:
        file.seek(at)
        old = file.read(length)
        file.seek(at)
        file.write(bytes(byte ^ 0xFF for byte in old))
