"""Which state directory and which policy file are meant. Pure: the environment is given."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

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
    return _xdg(environ, "XDG_STATE_HOME", ".local/state") / "refreshd"


def policy_file(environ: Mapping[str, str], *, is_root: bool) -> Path:
    """Return where the policy lies when nobody names another place."""
    if is_root:
        return ROOT_POLICY
    return _xdg(environ, "XDG_CONFIG_HOME", ".config") / "refreshd" / "policy.toml"


def _xdg(environ: Mapping[str, str], name: str, below_home: str) -> Path:
    given = environ.get(name, "")
    return Path(given) if given.startswith("/") else Path.home() / below_home
