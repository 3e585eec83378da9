"""Notices by Apprise, each in a short-lived process: see `apprise_process` for why.

An address is handed on by standard input alone, and stands in no error.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

from refreshd.errors import NotDeliveredError
from refreshd.ports import Notice

LONGEST_S = 100.0
"""Longest time for one notice; longer than the process gives itself."""

_PROCESS = ("-m", "refreshd.adapters.apprise_process")


def send(address: Callable[[], str], notice: Notice) -> None:
    """
    Hand a notice over.

    Args:
        address: Called anew for each notice, so that a changed file counts.
        notice: Subject and body are plain text.

    Raises:
        NotDeliveredError: It was not taken; why, without the address.

    """
    asked = {"address": address(), "subject": notice.subject, "body": notice.body}
    try:
        done = subprocess.run(
            [sys.executable, *_PROCESS],
            input=json.dumps(asked),
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=LONGEST_S,
            check=False,
            cwd=Path(__file__).parents[2],  # from there the package is found, installed or not
            start_new_session=True,  # an interrupt at the terminal is for the daemon
        )
    except subprocess.TimeoutExpired as err:
        raise NotDeliveredError(f"no answer within {LONGEST_S:.0f} seconds") from err
    except OSError as err:
        raise NotDeliveredError("no process could be started to send it") from err
    why = _why(done.stdout, done.returncode)
    if why:
        raise NotDeliveredError(why)


def _why(answer: str, exit_code: int) -> str:
    """Return why a notice was not taken; nothing where it was."""
    try:
        return str(json.loads(answer)["why"])
    except (ValueError, KeyError, TypeError):
        if exit_code < 0:
            return f"the process that sends it was ended by signal {-exit_code}"
        return f"the process that sends it ended with code {exit_code}"


def by_apprise(address: Callable[[], str]) -> Callable[[Notice], None]:
    """Return a way out for `notice_outbox.Way`."""
    return partial(send, address)
