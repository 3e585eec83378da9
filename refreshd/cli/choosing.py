"""Who answers a verb: the daemon, or this process itself.

Rules:

1. ``--socket none`` works alone. A daemon that was named and does not answer is an error.
2. The daemon is asked only when it keeps the record, and the policy, that were asked for. A plain
   user who names none and has no record of his own means that of the daemon.
3. Image files and folders are worked on in this process, with the caller's own rights, on the
   record of the daemon and under the same locks.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from refreshd.cli.world import Asked, asked_of, who_says
from refreshd.errors import DaemonUnreachableError, RefusedError, UsageError
from refreshd.ports import Attendant
from refreshd.reception.local import LocalReception
from refreshd.reception.protocol import Reception
from refreshd.wiring.places import SocketPlace, daemon_socket, state_directory

if TYPE_CHECKING:
    from refreshd.reception.over_socket import SocketReception
    from refreshd.reception.wire import About


@dataclass(frozen=True, slots=True)
class Chosen:
    """Who answers; `daemon` None: nobody but this process."""

    here: LocalReception
    daemon: SocketReception | None = None

    @property
    def reception(self) -> Reception:
        """Who answers what names no place."""
        return self.here if self.daemon is None else self.daemon

    def for_place(self, path: str | None) -> tuple[Reception, str | None]:
        """Return who works on a drive at a place, and how that one knows the place."""
        if self.daemon is None or (path is not None and not _is_device(path)):
            return self.here, path
        return self.daemon, None if path is None else os.path.realpath(path)


def _is_device(path: str) -> bool:
    try:
        return stat.S_ISBLK(Path(path).stat().st_mode)
    except (OSError, ValueError):
        return False  # What is wrong with it is told by who opens it.


@contextmanager
def reception_of(ctx: typer.Context) -> Iterator[Reception]:
    """Give who answers a verb that runs no pass."""
    asked = asked_of(ctx)
    with chosen(asked, asked.teller()) as found:
        yield found.reception


@contextmanager
def chosen(asked: Asked, attendant: Attendant) -> Iterator[Chosen]:
    """Find out who answers, and close the connection at the end."""
    place = daemon_socket(asked.socket, asked.world.environ)
    if place.path is None:
        yield Chosen(_here(asked, attendant, "no daemon was to be asked (--socket none)"))
        return
    if not place.is_named and not os.path.lexists(place.path):
        # Nothing is loaded that talks to a daemon where there is none: that is half of the time.
        yield Chosen(_here(asked, attendant, f"no daemon runs here: there is no {place.path}"))
        return
    with _connected(asked, attendant, place.path) as daemon:
        try:
            about = daemon.about()
        except (DaemonUnreachableError, RefusedError) as err:
            if not may_work_alone(place, _wanted_state(asked)):
                raise
            yield Chosen(_here(asked, attendant, str(err)))
            return
        other = _other_than_asked(asked, about)
        if other and asked.socket is not None:
            raise UsageError(f"the daemon at {place.path} {other}")
        if other:
            why = f"the daemon at {place.path} {other}"
            yield Chosen(_here(asked, attendant, why))
            return
        state = Path(about.state_directory)
        yield Chosen(_here(asked, attendant, "", state), daemon)


def may_work_alone(place: SocketPlace, wanted: Path | None) -> bool:
    """
    Say whether a verb may do without a daemon that does not answer, on the record `wanted`.

    Without a record of his own (None) a plain user would begin a second one beside the daemon's,
    and be taken for one who means it from then on.
    """
    return not place.is_named and wanted is not None


@contextmanager
def _connected(asked: Asked, attendant: Attendant, path: Path) -> Iterator[SocketReception]:
    from refreshd.reception.over_socket import SocketReception  # noqa: PLC0415 - see `chosen`.

    behind = asked.world.environ.get("SUDO_USER", "")
    daemon = SocketReception(path, attendant, behind if behind.isprintable() else "")
    try:
        yield daemon
    finally:
        daemon.close()


def _here(
    asked: Asked, attendant: Attendant, no_daemon: str, state: Path | None = None
) -> LocalReception:
    bare = asked.bare_station(attendant, state)
    load_once = cache(asked.load_policy)  # What is doubtful about it is said once.
    return LocalReception(bare, who_says(asked.world.environ), load_once, no_daemon)


def _other_than_asked(asked: Asked, about: About) -> str:
    """Say in which way the daemon is not the one that was asked for; empty when it is."""
    kept = about.state_directory
    wanted = _wanted_state(asked)
    if wanted is not None and not _is_same(wanted, kept):
        return f"keeps the record in {kept}, not the one in {wanted}"
    if asked.policy is not None and not _is_same(asked.policy, about.policy_file or ""):
        return f"works by {about.policy_file or 'built-in values'}, not by {asked.policy}"
    return ""


def _wanted_state(asked: Asked) -> Path | None:
    """Return the state directory that was asked for; None: that of whoever answers."""
    world = asked.world
    is_named = asked.state is not None or bool(world.environ.get("REFRESHD_STATE"))
    usual: Path | None = None
    with suppress(UsageError):  # a user without a home directory has none of his own
        usual = state_directory(asked.state, world.environ, is_root=world.is_root)
    if is_named or world.is_root or (usual is not None and usual.exists()):
        return usual
    return None


def _is_same(path: Path, kept: str) -> bool:
    """Compare by what the names lead to: a plain user may not look into the daemon's directory."""
    return bool(kept) and os.path.realpath(path) == os.path.realpath(kept)
