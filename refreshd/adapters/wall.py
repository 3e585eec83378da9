"""Notices on every terminal of this server, by `wall` of util-linux."""

from __future__ import annotations

import subprocess
import textwrap
from collections.abc import Iterator

from refreshd.errors import NotDeliveredError
from refreshd.ports import Notice

COLUMNS = 79
"""Source: wall(1) of util-linux folds longer lines in the middle of a word."""

ROWS_MAX = 20
"""It interrupts whatever people do, on screens of 24 rows: the rest is in mail and pull-list."""

LONGEST_S = 20.0
_TERMINAL_S = "5"  # for one terminal that does not take it


def say_on_terminals(notice: Notice) -> None:
    """
    Show a notice on all terminals on which somebody is logged in.

    Raises:
        NotDeliveredError: `wall` is not there, failed, or took too long.

    """
    text = "\n".join(wall_rows(notice)) + "\n"
    try:
        done = subprocess.run(
            ["wall", "--timeout", _TERMINAL_S],
            input=text.encode("ascii", errors="replace"),
            capture_output=True,
            timeout=LONGEST_S,
            check=False,
            start_new_session=True,
        )
    except FileNotFoundError as err:
        raise NotDeliveredError("there is no program wall; install util-linux") from err
    except subprocess.TimeoutExpired as err:
        raise NotDeliveredError(f"wall took longer than {LONGEST_S:.0f} seconds") from err
    except OSError as err:
        raise NotDeliveredError("wall could not be started") from err
    if done.returncode:
        said = done.stderr.decode("utf-8", errors="replace").strip()
        raise NotDeliveredError(f"wall ended with code {done.returncode}: {printable(said)}")


def wall_rows(notice: Notice) -> list[str]:
    """Return a notice as rows that any terminal can show."""
    rows = [row for line in _lines(notice) for row in (_folded(line) or [""])]
    if len(rows) > ROWS_MAX:
        rows = [*rows[: ROWS_MAX - 1], "(more: refreshd pull-list, refreshd findings)"]
    return rows


def _lines(notice: Notice) -> Iterator[str]:
    yield f"refreshd: {printable(notice.subject)}"
    yield ""
    yield from (printable(line) for line in notice.body.splitlines())


def _folded(line: str) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()))
    return textwrap.wrap(line, COLUMNS, subsequent_indent=indent, break_on_hyphens=False)


def printable(text: str) -> str:
    """Return a text without what could move the cursor of somebody's terminal."""
    return "".join(one if one.isprintable() else "?" for one in text)
