"""What the command line runs in, and how a verb gets its station."""

from __future__ import annotations

import os
import pwd
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import typer

from refreshd.cli.signals import leave_at_once
from refreshd.configfile import LoadedPolicy
from refreshd.policy import Policy
from refreshd.ports import Attendant, Clock
from refreshd.reception.local import policy_sentences
from refreshd.telling.progress import PlainTeller
from refreshd.wiring.places import policy_file, state_directory
from refreshd.wiring.station import Station, load_policy


def as_it_is(station: Station) -> Station:
    """Return a station unchanged."""
    return station


@dataclass(frozen=True, slots=True)
class World:
    """The process as seen from a verb: environment, streams, clock, and who runs it.

    `fit` changes every station before a verb gets it; a rehearsal lays its faults there.
    """

    environ: Mapping[str, str]
    out: TextIO
    err: TextIO
    clock: Clock
    is_root: bool
    leave: Callable[[int], None] = leave_at_once
    fit: Callable[[Station], Station] = as_it_is

    def say(self, sentence: str) -> None:
        """Say something on stderr; a terminal that went away hears nothing."""
        try:
            self.err.write(f"{sentence}\n")
            self.err.flush()
        except (OSError, ValueError):
            return

    def call_out(self, sentence: str) -> None:
        """Say something from within a signal handler.

        The stream may be in the middle of another sentence and would refuse a second one. On a
        terminal the cursor may stand behind a bar, or behind the ^C that was typed.
        """
        try:
            begin = "\n" if self.err.isatty() else ""
            os.write(self.err.fileno(), f"{begin}{sentence}\n".encode(errors="backslashreplace"))
        except (OSError, ValueError):
            return

    @property
    def columns(self) -> int | None:
        """Width of the terminal on stdout; None: there is none."""
        try:
            return os.get_terminal_size(self.out.fileno()).columns if self.out.isatty() else None
        except (OSError, ValueError):
            return None


@dataclass(frozen=True, slots=True)
class Asked:
    """One call of the command line, with what stood before the verb."""

    world: World
    state: Path | None
    policy: Path | None
    socket: str | None = None

    @property
    def policy_place(self) -> Path:
        """Where the policy file lies, or would lie."""
        return self.policy or policy_file(self.world.environ, is_root=self.world.is_root)

    def load_policy(self) -> LoadedPolicy:
        """Read the policy, and say once what is doubtful about it or that there is none."""
        world = self.world
        loaded = load_policy(self.policy, world.environ, is_root=world.is_root)
        for sentence in policy_sentences(loaded, self.policy_place):
            world.say(sentence)
        return loaded

    def bare_station(self, attendant: Attendant, state: Path | None = None) -> Station:
        """Return the station with the built-in policy; `state` None: the one asked for."""
        world = self.world
        place = state or state_directory(self.state, world.environ, is_root=world.is_root)
        return world.fit(Station(place, LoadedPolicy(Policy()), world.clock, attendant))

    def teller(self) -> PlainTeller:
        """Return who says what is said beside an answer."""
        return PlainTeller(self.world.err, self.world.clock, lambda: False)


def asked_of(ctx: typer.Context) -> Asked:
    """Return what stood before the verb."""
    asked = ctx.obj
    if not isinstance(asked, Asked):
        raise TypeError("the verb was called past the command line's entry")
    return asked


def who_says(environ: Mapping[str, str]) -> str:
    """Return the name of the person at the keyboard, as far as the system knows it."""
    try:
        name = pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        name = f"user {os.getuid()}"
    behind = environ.get("SUDO_USER", "")
    return f"{behind} as {name}" if behind.isprintable() and behind and behind != name else name
