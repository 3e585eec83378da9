"""The server of the API: one Unix socket, uvicorn within the loop of the daemon, no signals.

Rules:

1. Nothing but the Unix socket is listened on.
2. A lock beside the socket is held for as long as the server lives. A socket that is there while
   nobody holds the lock and nobody answers was left by a dead daemon, and is replaced.
3. Nobody can connect before owner and mode of the socket are set.
4. An idle server does nothing: it waits for a connection or for its end.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import os
import socket
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import cast

import uvicorn
from uvicorn.config import HTTPProtocolType

from refreshd.api.connection import PeerProtocol
from refreshd.api.gate import App, Gate, Receive, Scope, Send
from refreshd.api.limits import Limits
from refreshd.api.office import Office
from refreshd.api.peers import Doorkeeper, group_id
from refreshd.errors import RefusedError
from refreshd.kernel.file_locks import try_lock
from refreshd.policy_tables import AccessRules

MODE_ALONE = 0o600
MODE_GROUP = 0o660
MODE_ALL = 0o666  # Two groups have no one owner: everybody may knock, the gate decides.

HEAD_BYTES_MAX = 16 * 1024
QUIET_S_MAX = 30
END_S_MAX = 5
BACKLOG = 64
LOG = logging.getLogger("refreshd")

_PROBE_S = 2.0


class _QuietServer(uvicorn.Server):
    """uvicorn without its own signals, and without waking ten times a second."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self._ending = asyncio.Event()

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals to the daemon."""
        yield

    async def main_loop(self) -> None:
        """Wait for the end."""
        await self._ending.wait()

    def end(self) -> None:
        """End `serve`."""
        self.should_exit = True
        self._ending.set()


class _AtFirstRequest:
    """The application, made when somebody asks for the first time: an idle daemon has none."""

    def __init__(self, office: Office) -> None:
        self._office = office
        self._making = asyncio.Lock()
        self._app: App | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async with self._making:
            if self._app is None:
                # In a thread: the loop has drives to watch, and this takes a second.
                self._app = await asyncio.to_thread(_made, self._office)
        await self._app(scope, receive, send)


def _made(office: Office) -> App:
    from refreshd.api.app import make_app  # noqa: PLC0415 - 20 MB, of no use until somebody asks.

    return cast("App", make_app(office))


@dataclass(frozen=True, slots=True)
class Access:
    """Owner and mode of the socket, worked out from the groups of the policy."""

    group: int | None
    mode: int

    @classmethod
    def by(cls, rules: AccessRules) -> Access:
        """Return who may knock: the one group, or everybody where the gate has to tell two apart.

        A group that this server does not have lets nobody in.
        """
        groups = {group_id(rules.look_group), group_id(rules.act_group)} - {None}
        if len(groups) > 1:
            return cls(None, MODE_ALL)
        if not groups:
            return cls(None, MODE_ALONE)
        return cls(groups.pop(), MODE_GROUP)


class ApiServer:
    """
    Serves the API at a path, from `bind` until `end`.

    Args:
        path: Where the socket is made; its directory must be there.
        office: What stands behind the paths.
        limits: What a connection may cost.

    """

    def __init__(self, path: Path, office: Office, limits: Limits | None = None) -> None:
        self._path = path
        self._office = office
        self._limits = limits or Limits()
        self._lock = -1
        self._listener: socket.socket | None = None
        self._server: _QuietServer | None = None

    def bind(self) -> None:
        """
        Make the socket, and listen.

        Raises:
            RefusedError: Another refreshd serves here, or no socket can be made here.

        """
        self._lock = _locked(self._path)
        try:
            _remove_stale(self._path)
            self._listener = self._bound()
        except BaseException:
            self.close()
            raise

    async def serve(self) -> None:
        """Answer until `end` was called and the answers under way are told, or for 5 seconds."""
        if self._listener is None:
            self.bind()
        listener = cast("socket.socket", self._listener)
        logging.getLogger("uvicorn.error").setLevel(
            logging.ERROR
        )  # What strangers send is no news.
        self._server = _QuietServer(self._config())
        try:
            await self._server.serve(sockets=[listener])
        finally:
            self.close()

    @property
    def is_listening(self) -> bool:
        """Say whether somebody who connects now will be answered."""
        return self._server is not None and self._server.started

    def end(self) -> None:
        """End `serve`: no new connections, streams are told that the daemon ends."""
        self._office.close()
        if self._server is not None:
            self._server.end()

    def access_changed(self) -> None:
        """Hear that another policy is in force: its groups hold from the next request on."""
        if self._listener is not None:
            _give_access(self._path, Access.by(self._rules()))
            _name_unknown_groups(self._rules())

    def close(self) -> None:
        """Take the socket away, if it is ours, and let go of the lock."""
        if self._listener is not None:
            self._listener.close()
            self._listener = None
            self._path.unlink(missing_ok=True)
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def _rules(self) -> AccessRules:
        return self._office.station().policy.policy.access

    def _config(self) -> uvicorn.Config:
        door = Doorkeeper(self._rules, os.geteuid())
        gate = Gate(_AtFirstRequest(self._office), door, self._limits)
        return uvicorn.Config(
            cast("Callable[..., object]", gate),
            http=cast("HTTPProtocolType", partial(PeerProtocol, limits=self._limits)),
            ws="none",
            lifespan="off",
            interface="asgi3",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            date_header=False,
            timeout_keep_alive=QUIET_S_MAX,
            timeout_graceful_shutdown=END_S_MAX,
            h11_max_incomplete_event_size=HEAD_BYTES_MAX,
            backlog=BACKLOG,
        )

    def _bound(self) -> socket.socket:
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            os.fchmod(listener.fileno(), MODE_ALONE)  # The node is made with this mode, at bind.
            listener.bind(str(self._path))
            _give_access(self._path, Access.by(self._rules()))
            _name_unknown_groups(self._rules())
            listener.listen(BACKLOG)
            listener.settimeout(0)  # asyncio waits, not the socket
        except OSError as err:
            listener.close()
            raise _refused(self._path, "making the socket", err) from err
        return listener


def _name_unknown_groups(rules: AccessRules) -> None:
    """Say which groups let nobody in, such as misspelt ones: who is kept out sees no reason."""
    for key, name in (("look_group", rules.look_group), ("act_group", rules.act_group)):
        if group_id(name) is None:
            LOG.warning(
                "[access] %s: this server has no group %s, so nobody is let in by it", key, name
            )


def _give_access(path: Path, access: Access) -> None:
    """Set group and mode; a service that may not give its socket away keeps it to itself."""
    try:
        if access.group is not None:
            os.chown(path, -1, access.group)
        path.chmod(access.mode)
    except PermissionError:
        path.chmod(MODE_ALONE)


def _locked(path: Path) -> int:
    """Return a lock that tells other daemons that this place is taken."""
    place = path.with_name(f"{path.name}.lock")
    try:
        handle = os.open(place, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, MODE_ALONE)
    except OSError as err:
        raise _refused(place, "opening the lock", err) from err
    if not try_lock(handle):
        os.close(handle)
        raise RefusedError(
            f"{path}: another refreshd serves here; stop it, or name another place with --socket"
        )
    return handle


def _remove_stale(path: Path) -> None:
    """Remove the socket of a dead daemon; refuse what is none, or answers."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        raise RefusedError(f"{path}: something that is no socket is in the way; move it away")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(_PROBE_S)
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            path.unlink()
            return
        except OSError as err:
            raise _refused(path, "asking who is there", err) from err
    raise RefusedError(f"{path}: somebody else serves here; name another place with --socket")


def _refused(path: Path, doing: str, err: OSError) -> RefusedError:
    cause = errno.errorcode.get(err.errno or 0, str(err))
    return RefusedError(f"{path}: {cause} {doing}; name another place with --socket")
