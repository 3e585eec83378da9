"""Which state directory and which policy file are meant. Pure: the environment is given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from refreshd.errors import UsageError

ROOT_STATE = Path("/var/lib/refreshd")
ROOT_POLICY = Path("/etc/refreshd/policy.toml")
SOCKET = Path("/run/refreshd/socket")
NO_SOCKET = "none"


@dataclass(frozen=True, slots=True)
class SocketPlace:
    """Where a daemon may be asked. `path` None: none is to be asked."""

    path: Path | None
    is_named: bool


def daemon_socket(named: str | None, environ: Mapping[str, str]) -> SocketPlace:
    """Return the socket named, else that of REFRESHD_SOCKET, else the usual one."""
    given = named or environ.get("REFRESHD_SOCKET")
    if not given:
        return SocketPlace(SOCKET, is_named=False)
    return SocketPlace(None if given == NO_SOCKET else Path(given).absolute(), is_named=True)


def state_directory(named: Path | None, environ: Mapping[str, str], *, is_root: bool) -> Path:
    """
    Return the state directory: the one named, else REFRESHD_STATE, else the usual place.

    The usual place of a plain user is in the XDG state directory, which counts only where it
    is absolute. Source: XDG Base Directory Specification 0.8.
    """
    if named is not None:
        return named.absolute()
    if given := environ.get("REFRESHD_STATE"):
        return Path(given).absolute()
    if is_root:
        return ROOT_STATE
    usual = _xdg(environ, "XDG_STATE_HOME", ".local/state")
    if usual is None:
        raise UsageError(
            "this user has no home directory; name a state directory with --state or REFRESHD_STATE"
        )
    return usual / "refreshd"


def policy_file(environ: Mapping[str, str], *, is_root: bool) -> Path:
    """Return where the policy lies when nobody names another place.

    A user without a home directory, such as a service, has the one of root.
    """
    usual = None if is_root else _xdg(environ, "XDG_CONFIG_HOME", ".config")
    return ROOT_POLICY if usual is None else usual / "refreshd" / "policy.toml"


def _xdg(environ: Mapping[str, str], name: str, below_home: str) -> Path | None:
    """Return an XDG directory; None for a user without a home directory."""
    given, home = environ.get(name, ""), environ.get("HOME", "")
    if given.startswith("/"):
        return Path(given)
    return Path(home) / below_home if home.startswith("/") else None
