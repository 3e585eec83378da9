"""A daemon as a process of its own, and what it says; nobody sleeps, everybody has a deadline."""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.fakes.counter import ROOT

DEADLINE_S = 40.0
"""Long against what any step takes on a busy machine."""


@dataclass
class Daemon:
    """A daemon that runs, and the lines of its log."""

    process: subprocess.Popen[str]
    heard: list[str] = field(default_factory=list)
    _lines: queue.Queue[str | None] = field(default_factory=queue.Queue)

    def __post_init__(self) -> None:
        self.reader = threading.Thread(target=self._read, daemon=True)
        self.reader.start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self._lines.put(line.rstrip("\n"))
        self._lines.put(None)

    def until(self, words: str) -> str:
        """Wait for the next line that holds these words."""
        while True:
            try:
                line = self._lines.get(timeout=DEADLINE_S)
            except queue.Empty:
                line = None
            assert line is not None, f"{words!r} was not said:\n" + "\n".join(self.heard)
            self.heard.append(line)
            if words in line:
                return line

    def rest(self) -> str:
        """Wait for the end, and return all that was said."""
        while (line := self._lines.get(timeout=DEADLINE_S)) is not None:
            self.heard.append(line)
        self.process.wait(timeout=DEADLINE_S)
        return "\n".join(self.heard)

    def signal(self, number: signal.Signals) -> None:
        """Send a signal to the daemon alone."""
        self.process.send_signal(number)

    def workers(self) -> list[int]:
        """Return the process ids of its workers."""
        path = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        return [int(pid) for pid in path.read_text(encoding="ascii").split()]


@dataclass(frozen=True)
class Place:
    """A state directory, a policy, a socket, and a folder whose loop devices are drives."""

    folder: Path

    @property
    def state(self) -> Path:
        """Return the state directory."""
        return self.folder / "state"

    @property
    def policy(self) -> Path:
        """Return the policy file."""
        return self.folder / "policy.toml"

    @property
    def socket(self) -> Path:
        """Return the socket of the daemon."""
        return self.folder / "socket"

    def words(self, *more: str | Path, socket: str | None = None) -> list[str]:
        """Return a command line."""
        before = ["--state", self.state, "--policy", self.policy]
        named = ["--socket", socket or self.socket]
        return [sys.executable, "-m", "refreshd", *(str(one) for one in (*before, *named, *more))]

    @contextmanager
    def serving(self, **environ: str) -> Iterator[Daemon]:
        """Run a daemon; one that still runs at the end is killed."""
        with subprocess.Popen(
            self.words("serve", "--loops-of", self.folder),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            env=_environ() | environ,
        ) as process:
            daemon = Daemon(process)
            try:
                yield daemon
            finally:
                if process.poll() is None:
                    process.kill()
                daemon.reader.join(DEADLINE_S)

    def say(
        self, *words: str | Path, socket: str | None = None
    ) -> subprocess.CompletedProcess[str]:
        """Say a verb in a process of its own."""
        return subprocess.run(
            self.words(*words, socket=socket),
            check=False,
            capture_output=True,
            text=True,
            timeout=DEADLINE_S,
            env=_environ(),
        )

    def ask(self, *words: str | Path) -> dict[str, Any]:
        """Say a verb that must go well, and return its object."""
        done = self.say(*words, "--json")
        assert done.returncode == 0, (done.stdout, done.stderr)
        found = json.loads(done.stdout)
        assert isinstance(found, dict)
        return found

    def until_rewriting(self) -> None:
        """Follow the daemon until a pass has rewritten its first segment."""
        with subprocess.Popen(
            self.words("status", "--follow", "--json"),
            stdout=subprocess.PIPE,
            text=True,
            env=_environ(),
        ) as process:
            assert process.stdout is not None
            for line in process.stdout:
                if '"rewriting"' in line and '"moved"' in line:
                    break
            process.terminate()

    def take_in(self, node: str, number: str, written_on: str) -> None:
        """Take a drive into care, without a daemon."""
        words = ("accession", node, "--number", number, "--shelfmark", "R2-B04-S3")
        card = ("--title", "Glass plates of the harbour survey", "--written-on", written_on)
        done = self.say(*words, *card, socket="none")
        assert done.returncode == 0, done.stderr

    def kinds(self) -> list[str]:
        """Return the kinds of all records of the journal, in order."""
        lines = [
            line
            for file in sorted((self.state / "journal").glob("*.jsonl"))
            for line in file.read_text(encoding="utf-8").splitlines()
        ]
        return [str(json.loads(line)["event"]["kind"]) for line in lines]


def _environ() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
