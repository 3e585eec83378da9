"""Which state directory and which policy file are meant. Pure: the environment is given."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from refreshd.errors import UsageError

ROOT_STATE = Path("/var/lib/refreshd")
ROOT_POLICY = Path("/etc/refreshd/policy.toml")


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
