"""rehearse: the story told on the terminal, with the real verbs run as they are."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

import refreshd
from refreshd.cli.answer import FINDINGS, Answer
from refreshd.cli.words import AsJson
from refreshd.cli.world import World, asked_of
from refreshd.errors import UsageError
from refreshd.rehearsal.scenario import Scenario
from refreshd.rehearsal.stage import InventedClock, Stage
from refreshd.rehearsal.story import Story, Words
from refreshd.wiring.media import refuse_unwritable_name

Main = Callable[[Sequence[str], World], tuple[int, bool]]
"""`refreshd.cli.main.main`, the entry of every real verb."""

COLUMNS = 80
SECONDS_A_WORD = 0.09
SECONDS_A_COMMAND = 0.6
"""Time to read on a terminal: a quick reader's, since all of it stays there to scroll back to."""


@dataclass(frozen=True, slots=True)
class TerminalNarrator:
    """
    `rehearsal.story.Narrator` on a text stream.

    Args:
        world: Where the story is told; its clock makes the pauses.
        stage: Where the story is set.
        main: Runs a real verb.
        is_paced: Whether there are pauses.

    """

    world: World
    stage: Stage
    main: Main
    is_paced: bool

    def tell(self, paragraph: str) -> None:
        """Say something as a comment, as in a script, and leave time to read it."""
        lines = textwrap.wrap(
            paragraph, COLUMNS - 2, break_on_hyphens=False, break_long_words=False
        )
        self.world.out.write("\n" + "".join(f"# {line}\n" for line in lines))
        self.world.out.flush()
        self._pause(SECONDS_A_WORD * len(paragraph.split()))

    def perform(self, words: Words) -> int:
        """Show a command line, and run it."""
        self._show(words)
        # All of it on one stream, so that the story stays in order when it goes to a file.
        return self._run(words, replace(self.world, err=self.world.out))

    def perform_unseen(self, words: Words) -> int:
        """Run a command line, and keep what it says to itself."""
        nowhere = StringIO()
        return self._run(words, replace(self.world, out=nowhere, err=nowhere))

    def perform_cut(self, words: Words, stage: str) -> int:
        """Show a command line, and run it in a process that will be killed."""
        self._show(words)
        environ = dict(self.world.environ)
        found = [str(Path(refreshd.__file__).parents[1]), environ.get("PYTHONPATH", "")]
        environ |= {"PYTHONPATH": os.pathsep.join(filter(None, found)), "PYTHONSAFEPATH": "1"}
        done = subprocess.run(
            [sys.executable, "-m", "refreshd.cli.rehearse_cut", stage, *self._whole(words)],
            check=False,
            env=environ,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            errors="backslashreplace",
        )
        self.world.out.write(done.stdout)
        self.world.out.flush()
        return done.returncode

    def _run(self, words: Words, world: World) -> int:
        code, is_hung = self.main(self._whole(words), fitted(world, self.stage))
        if is_hung:
            world.leave(code)
        return code

    def _whole(self, words: Words) -> list[str]:
        stage = self.stage
        before = ["--state", str(stage.state), "--policy", str(stage.policy_file)]
        return [*before, "--socket", "none", *words]

    def _show(self, words: Words) -> None:
        self.world.out.write(f"\n$ {as_typed(words)}\n")
        self.world.out.flush()
        self._pause(SECONDS_A_COMMAND)

    def _pause(self, seconds: float) -> None:
        if self.is_paced:
            self.world.clock.sleep(seconds)


def as_typed(words: Words) -> str:
    """Return a command line as one would type it, an option with its value never parted."""
    groups: list[str] = ["refreshd"]
    for word in words:
        if groups[-1].startswith("--") and " " not in groups[-1]:
            groups[-1] += f" {shlex.quote(word)}"
        else:
            groups.append(shlex.quote(word))
    lines = [groups[0]]
    for group in groups[1:]:
        if len(lines[-1]) + len(group) + 5 > COLUMNS:
            lines[-1] += " \\"
            lines.append(f"    {group}")
        else:
            lines[-1] += f" {group}"
    return "\n".join(lines)


def fitted(world: World, stage: Stage) -> World:
    """Return the world of a verb that is performed on a stage."""
    return replace(world, clock=stage.clock, fit=stage.fit)


Keep = Annotated[
    Path | None,
    typer.Option(
        "--keep",
        metavar="DIR",
        help="Play in this directory, which must be empty or not there yet, and leave everything "
        "in it to be tried by hand. Left out: play in a temporary directory.",
    ),
]
Fast = Annotated[bool, typer.Option("--fast", help="No pauses for reading.")]


def rehearse_verb_of(main: Main) -> Callable[..., Answer]:
    """Return the verb; it runs the others through `main`."""

    def rehearse_verb(
        ctx: typer.Context, keep: Keep = None, fast: Fast = False, as_json: AsJson = False
    ) -> Answer:
        """Show the whole job in two minutes, on invented drives. Needs no privileges.

        Exit code 1 when something went otherwise than the story says.
        """
        asked = asked_of(ctx)
        if asked.state is not None or asked.policy is not None:
            raise UsageError("rehearse has a state and a policy of its own; name a DIR with --keep")
        world = asked.world
        if as_json:
            world = replace(world, out=world.err)
        with _directory(keep) as directory:
            return _played(world, directory, main, is_kept=keep is not None, is_fast=fast)

    return rehearse_verb


def _played(world: World, directory: Path, main: Main, *, is_kept: bool, is_fast: bool) -> Answer:
    stage = Stage(directory, InventedClock(world.clock, world.clock.now()))
    stage.set_up()
    is_paced = not is_fast and world.out.isatty()
    narrator = TerminalNarrator(world, stage, main, is_paced)
    deviations = Story(Scenario(), stage, narrator).run()
    told = {"as_told": not deviations, "deviations": list(deviations)}
    kept = str(directory) if is_kept else None
    lines = [*_outcome_lines(deviations), *(_by_hand(stage) if is_kept else ())]
    return Answer(told | {"kept_in": kept}, lines, FINDINGS if deviations else 0)


def _outcome_lines(deviations: Sequence[str]) -> Iterator[str]:
    yield ""
    if not deviations:
        yield "The rehearsal went as told."
        return
    yield "The rehearsal did NOT go as told:"
    yield from (f"  {deviation}." for deviation in deviations)


def _by_hand(stage: Stage) -> Iterator[str]:
    """Yield the commands to go on with."""
    number = Scenario().cut.drive
    image = stage.directory / Scenario().drive(number).image
    yield f"Everything is kept in {stage.directory}. To try the real verbs on it:"
    yield ""
    before = (
        f"--state {shlex.quote(str(stage.state))} --policy {shlex.quote(str(stage.policy_file))}"
    )
    yield f'refreshd_here() {{ refreshd {before} "$@"; }}'
    yield f"refreshd_here drive {number}"
    yield f"refreshd_here fixity {number} --on {shlex.quote(str(image))}"
    yield f"refreshd_here journal show --drive {number}"
    yield ""
    yield (
        "There is no layer of faults now, so the unreadable place can be read; and staging in "
        "memory is refused."
    )


@contextmanager
def _directory(keep: Path | None) -> Iterator[Path]:
    """Give the directory to play in."""
    if keep is None:
        with TemporaryDirectory(prefix="refreshd-rehearsal-") as made:
            yield Path(made).resolve()
        return
    refuse_unwritable_name(str(keep))
    directory = keep.absolute()
    try:
        is_full = directory.exists() and (not directory.is_dir() or any(directory.iterdir()))
    except OSError as err:
        raise UsageError(f"{keep}: {err.strerror}; name another directory") from err
    if is_full:
        raise UsageError(f"{keep} is not an empty directory; name one that is, or a new one")
    yield directory
