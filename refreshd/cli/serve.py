"""serve: the service in the foreground, as systemd or a person starts it."""

from __future__ import annotations

import logging
import os
from pathlib import Path
from typing import Annotated

import typer

from refreshd.cli.answer import Answer
from refreshd.cli.world import asked_of
from refreshd.errors import UsageError
from refreshd.wiring.places import daemon_socket, state_directory


def serve_verb(
    ctx: typer.Context,
    loops_of: Annotated[
        Path | None,
        typer.Option(
            "--loops-of",
            metavar="DIR",
            help="Take loop devices for drives, too, if their files lie in this directory: for "
            "trying it out with image files.",
        ),
    ] = None,
) -> Answer:
    """Run the service: plan, ask for drives, see them arrive, do the work, let them go.

    It stays in the foreground. SIGHUP reads the policy anew; SIGTERM stops it when the passes
    under way have reached a checkpoint, and once more ends it at once.
    """
    # The service costs half a second to load, and no other verb has a use for it.
    from refreshd.adapters.journald import handler_for  # noqa: PLC0415
    from refreshd.adapters.systemd_notify import Notifier  # noqa: PLC0415
    from refreshd.daemon.policy_in_force import PolicySource  # noqa: PLC0415
    from refreshd.daemon.serving import Wish, serve  # noqa: PLC0415

    if loops_of is not None and not loops_of.is_dir():
        raise UsageError(f"--loops-of {loops_of}: there is no such directory")
    asked = asked_of(ctx)
    world = asked.world
    wish = Wish(
        state=state_directory(asked.state, world.environ, is_root=world.is_root),
        policy=PolicySource(_absolute(asked.policy), world.environ, world.is_root),
        socket=daemon_socket(asked.socket, world.environ).path,
        loops_of=None if loops_of is None else loops_of.resolve(),
    )
    log, handler = logging.getLogger(), handler_for(world.environ, world.err)
    logging.getLogger("refreshd").setLevel(logging.INFO)
    log.addHandler(handler)
    try:
        notifier = Notifier.from_environment(world.environ, os.getpid())
        serve(wish, world.clock, notifier, world.leave)
    finally:
        log.removeHandler(handler)
        handler.close()
    return Answer({})


def _absolute(named: Path | None) -> Path | None:
    return None if named is None else named.absolute()
