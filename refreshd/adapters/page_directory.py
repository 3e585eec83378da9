"""The pages with the open slips, as files that are always whole: old or new, never half."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from errno import EACCES, EPERM, EROFS, errorcode
from pathlib import Path

from refreshd.errors import NotDeliveredError

_MODE = 0o644
_NEW = ".new"


def write_pages(directory: Path, pages: Mapping[str, str]) -> None:
    """
    Put each page, by its file name, in the place of the old one.

    Raises:
        NotDeliveredError: One could not be written; the old one still stands.

    """
    for name, text in pages.items():
        try:
            _replace(directory, name, text.encode("utf-8"))
        except OSError as err:
            cause = errorcode.get(err.errno or 0, str(err.errno))
            raise NotDeliveredError(
                f"page_directory {directory}: {name} cannot be written: {cause}{_hint(err.errno)}"
            ) from err


def _hint(number: int | None) -> str:
    """Say what to do where the system manager keeps the service from a directory."""
    if number == EROFS:
        return ". Let the service write there: ReadWritePaths= in its unit"
    if number in {EACCES, EPERM}:
        return ". Give the directory to the account of the service: chown refreshd"
    return ""


def _replace(directory: Path, name: str, content: bytes) -> None:
    new = directory / f".{name}{_NEW}"
    with suppress(FileNotFoundError):
        new.unlink()  # left by a crash
    # O_EXCL: whoever else may write there must not make us follow a link of theirs.
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, _MODE)
    with os.fdopen(handle, "wb") as out:
        out.write(content)
        out.flush()
        os.fchmod(handle, _MODE)
        os.fsync(handle)
    new.replace(directory / name)
