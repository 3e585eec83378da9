"""A file with the address of a channel: refused where others can read it or put another there.

The address may hold the password of a mail account. A link is followed, since system services
hand secrets over by links, but only through directories that others cannot write to: else they
could point it at a file of theirs, and read all notices.
"""

from __future__ import annotations

import os
import re
import stat
from errno import EACCES, EPERM, errorcode
from pathlib import Path

from refreshd.errors import NotDeliveredError
from refreshd.policy_shelf_values import ADDRESS_PATTERN

ADDRESS_BYTES_MAX = 4096
LINKS_MAX = 40
"""Source: path_resolution(7), as many links as the kernel follows."""

_ROOT = 0


def read_address(path: Path) -> str:
    """
    Return the address that a file holds.

    Raises:
        NotDeliveredError: It cannot be read, others can read or change it, or it holds none.

    """
    try:
        found = os.open(_real(path), os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            _refuse_file(path, os.fstat(found))
            content = os.read(found, ADDRESS_BYTES_MAX + 1)
        finally:
            os.close(found)
    except OSError as err:
        cause = errorcode.get(err.errno or 0, str(err.errno))
        hint = f". Give it to the account of the service: chown refreshd {path}"
        if err.errno not in {EACCES, EPERM}:
            hint = ""
        raise NotDeliveredError(f"url_file {path} cannot be read: {cause}{hint}") from err
    return _address_in(path, content)


def _real(path: Path) -> Path:
    """Return what a path leads to; every directory on the way, links included, is looked at."""
    here, steps, links = Path("/"), list(reversed(path.parts[1:])), 0
    while steps:
        _refuse_directory(here, here.stat())
        step = here / steps.pop() if steps[-1] != ".." else _up(here, steps)
        if not step.is_symlink():
            here = step
            continue
        links += 1
        if links > LINKS_MAX:
            raise NotDeliveredError(f"url_file {path} is a link that leads nowhere")
        target = step.readlink()
        here = Path("/") if target.is_absolute() else here
        steps += reversed(target.parts[1:] if target.is_absolute() else target.parts)
    return here


def _up(here: Path, steps: list[str]) -> Path:
    steps.pop()
    return here.parent


def _refuse_directory(path: Path, found: os.stat_result) -> None:
    by_group = found.st_mode & stat.S_IWGRP and found.st_gid != _ROOT
    if by_group or found.st_mode & stat.S_IWOTH:
        raise NotDeliveredError(
            f"url_file: others can write to {path}, and so put another file there. Keep it in a "
            "directory such as /etc/refreshd"
        )
    if found.st_uid not in {_ROOT, os.geteuid()}:
        raise NotDeliveredError(f"url_file: {path} belongs to somebody else than root or refreshd")


def _refuse_file(path: Path, found: os.stat_result) -> None:
    if not stat.S_ISREG(found.st_mode):
        raise NotDeliveredError(f"url_file {path} is no regular file")
    if found.st_uid not in {_ROOT, os.geteuid()}:
        raise NotDeliveredError(f"url_file {path} belongs to somebody else than root or refreshd")
    # Credentials that the system manager hands over are readable for the group of root.
    closed = stat.S_IRWXO | stat.S_IWGRP | (0 if found.st_gid == _ROOT else stat.S_IRWXG)
    if found.st_mode & closed:
        raise NotDeliveredError(
            f"url_file {path} can be read or changed by others (mode "
            f"{stat.S_IMODE(found.st_mode):04o}). Say: chmod 600 {path}"
        )


def _address_in(path: Path, content: bytes) -> str:
    text = content.decode("ascii", errors="replace").strip()
    if len(content) > ADDRESS_BYTES_MAX or not re.fullmatch(ADDRESS_PATTERN, text, re.ASCII):
        raise NotDeliveredError(
            f"url_file {path} holds no address. Allowed: one line, the kind in front and no blanks "
            'in it, such as "mailto://..."'
        )
    return text
