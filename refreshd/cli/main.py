"""The entry of the command line: words in, one answer out, and its exit code."""

from __future__ import annotations

import os
import signal
import sys
import threading
import traceback
from collections.abc import Sequence
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated, NoReturn, cast

import typer

from refreshd import __version__
from refreshd.cli import (
    care,
    daemon,
    health,
    journal,
    passes,
    policy,
    prove,
    rehearse,
    serve,
    shelf,
    slips,
)
from refreshd.cli.answer import STOPPED, Answer, answer_of, print_answer
from refreshd.cli.signals import STOPPING, StoppedByHandError, end_by_exception
from refreshd.cli.world import Asked, World
from refreshd.errors import InvariantBrokenError, RefreshdError, UsageError
from refreshd.telling.as_json import error_object, error_of
from refreshd.wiring.station import real_clock

BUG = 70

app = typer.Typer(
    name="refreshd",
    help="Keep shelved drives readable: plan, verify, rewrite in place, read back, and keep the "
    "record.",
    epilog="Exit codes: 0 fine, 1 findings, 2 usage or policy, 3 refused by a guard, 4 drive or "
    "I/O failure or stopped (run it again, it goes on), 5 daemon unreachable.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command("prove", short_help="Test a new drive before its accession.")(prove.prove_verb)
app.command("accession", short_help="Take a drive into care.")(care.accession_verb)
app.command("withdraw")(care.withdraw_verb)
app.command("drive")(care.drive_verb)
app.command("fixity")(passes.fixity_verb)
app.command("refresh", short_help="Verify a drive and write it again in place.")(
    passes.refresh_verb
)
app.command("shelf")(shelf.shelf_verb)
app.command("health", short_help="How the drives are, by what they say.")(health.health_verb)
app.command("findings")(shelf.findings_verb)
app.command("accept")(shelf.accept_verb)
app.command("export", short_help="Copy catalogue and journal to a directory.")(journal.export_verb)
app.command("pull-list", short_help="Which drives to bring out and to put away.")(
    slips.pull_list_verb
)
app.command("return")(slips.return_verb)
app.command("serve", short_help="Run the service in the foreground.")(serve.serve_verb)
app.command("status", short_help="What the daemon does now.")(daemon.status_verb)
app.command("pause", short_help="Let the daemon run no pass.")(daemon.pause_verb)
app.command("resume")(daemon.resume_verb)
app.command("stop", short_help="Let the daemon end a pass at its checkpoint.")(daemon.stop_verb)
app.add_typer(journal.app, name="journal")
app.add_typer(policy.app, name="policy")


def _print_version(wanted: bool) -> None:  # noqa: FBT001 - how Typer calls back.
    if wanted:
        typer.echo(f"refreshd {__version__}")
        raise typer.Exit


@app.callback()
def before_the_verb(
    ctx: typer.Context,
    state: Annotated[
        Path | None,
        typer.Option(
            "--state",
            metavar="DIR",
            readable=False,  # Looked at where it is used: what is wrong with it is told there.
            help="Directory of catalogue, journal and staging. Left out: REFRESHD_STATE, else "
            "/var/lib/refreshd for root and the XDG state directory for others.",
        ),
    ] = None,
    policy_path: Annotated[
        Path | None,
        typer.Option(
            "--policy",
            metavar="FILE",
            readable=False,
            help="Policy file. Left out: /etc/refreshd/policy.toml for root, "
            "refreshd/policy.toml in the XDG configuration directory for others.",
        ),
    ] = None,
    socket: Annotated[
        str | None,
        typer.Option(
            "--socket",
            metavar="PATH",
            help="Socket of the daemon; `none` works without one. Left out: REFRESHD_SOCKET, else "
            "/run/refreshd/socket, if the daemon there keeps the record that is asked for.",
        ),
    ] = None,
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """Keep shelved drives readable: plan, verify, rewrite in place, read back, record."""
    world = ctx.obj
    if isinstance(world, World):
        ctx.obj = Asked(world, state, policy_path, socket)


_CLICK = {kind.__name__: kind for kind in typer.BadParameter.__mro__}
_ClickError = cast("type[Exception]", _CLICK["ClickException"])
"""Newer versions of Typer carry a copy of Click, older ones use Click itself: this is either's."""


def main(words: Sequence[str], world: World) -> tuple[int, bool]:
    """
    Run one command.

    Returns:
        The exit code, and whether a request hangs in the kernel, so that the process must end
        without waiting for it.

    """
    as_json = "--json" in _before_dashes(words)
    answer = _answered(words, world)
    if isinstance(answer, int):
        return answer, False
    try:
        return _told(answer, world, as_json=as_json), answer.is_hung
    except StoppedByHandError as err:
        if answer.is_endless:
            return answer.exit_code, answer.is_hung
        world.say(f"refreshd: stopped by {err} while the answer was written")
        return STOPPED, answer.is_hung


app.command("rehearse")(rehearse.rehearse_verb_of(main))


def _before_dashes(words: Sequence[str]) -> Sequence[str]:
    return words[: words.index("--")] if "--" in words else words


def _answered(words: Sequence[str], world: World) -> Answer | int:
    """Return what the verb answers; a number after help or version were printed."""
    try:
        command = typer.main.get_command(app)
        found = command.main(list(words), prog_name="refreshd", standalone_mode=False, obj=world)
    except (RefreshdError, InvariantBrokenError) as err:
        return _failed(err, world)
    except StoppedByHandError as err:
        return _stopped(str(err))
    except _ClickError as err:
        return _usage(err)
    except Exception as err:  # noqa: BLE001 - the edge: with --json, stdout is one object even now.
        return _bug(err, world)
    return found if isinstance(found, Answer) else cast("int", found or 0)


def _failed(err: RefreshdError | InvariantBrokenError, world: World) -> Answer:
    if isinstance(err, InvariantBrokenError):
        traceback.print_exception(err, file=world.err)
    return answer_of(err)


def _stopped(name: str) -> Answer:
    message = f"stopped by {name}; run it again"
    return Answer({"error": error_of("Stopped", message, STOPPED)}, exit_code=STOPPED)


def _usage(err: Exception) -> Answer:
    """Turn Click's complaint into ours."""
    said = getattr(err, "format_message", lambda: str(err))()
    context = getattr(err, "ctx", None)
    command = getattr(context, "command_path", "refreshd")
    is_bare = type(err).__name__ == "NoArgsIsHelpError"
    wrong = "a verb is missing" if is_bare else " ".join(said.split()).rstrip(".")
    error = UsageError(f"{wrong}; `{command} --help` says what is allowed")
    help_lines = said.splitlines() if is_bare else ()
    return Answer({"error": error_object(error)}, help_lines, error.exit_code, error)


def _bug(err: Exception, world: World) -> Answer:
    traceback.print_exception(err, file=world.err)
    kind = type(err).__name__
    message = f"{kind}: {err}; a fault of refreshd, please report it with what stands above"
    return Answer({"error": error_of(kind, message, BUG)}, (), BUG)


def _told(answer: Answer, world: World, *, as_json: bool) -> int:
    """Print an answer and its error, and return the exit code."""
    code = answer.exit_code
    try:
        print_answer(answer, world.out, as_json=as_json)
    except RefreshdError as err:  # The journal is read while it is told.
        world.say(f"refreshd: {err}")
        return err.exit_code
    except BrokenPipeError:
        _point_nowhere(world)  # The reader had enough; that is no failure of the verb.
    except OSError as err:
        world.say(f"refreshd: the answer could not be written to stdout: {err.strerror}")
        _point_nowhere(world)
        code = code or STOPPED
    if answer.error is not None:
        world.say(f"refreshd: {answer.error}")
    return code


def _point_nowhere(world: World) -> None:
    """Keep the interpreter from complaining about stdout once more when it ends."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, world.out.fileno())
    except (OSError, ValueError):
        return


def run() -> NoReturn:
    """Run the command line of this process."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    if threading.current_thread() is threading.main_thread():
        for number in STOPPING:
            if signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, end_by_exception)
    world = World(os.environ, sys.stdout, sys.stderr, real_clock(), is_root=os.geteuid() == 0)
    code, is_hung = main(sys.argv[1:], world)
    if is_hung:
        world.leave(code)
    sys.exit(code)
