"""What a verb answers, and the one place that prints it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TextIO

from refreshd.errors import DriveHungError, InvariantBrokenError, RefreshdError
from refreshd.telling.as_json import JsonObject, error_object

FINDINGS = 1
STOPPED = 4


@dataclass(frozen=True, slots=True)
class Answer:
    """
    The result of a verb.

    Args:
        json: The one object that goes to stdout with ``--json``.
        lines: What goes to stdout otherwise.
        exit_code: See the table in `refreshd.errors`; 1: findings.
        error: What ended a pass early; said on stderr.
        is_endless: `lines` are told one by one as they come, also with ``--json``, until somebody
            ends that by hand, which is no failure.

    """

    json: JsonObject
    lines: Iterable[str] = ()
    exit_code: int = 0
    error: RefreshdError | None = None
    is_endless: bool = False

    @property
    def is_hung(self) -> bool:
        """Whether a request is still out, so that the process cannot end as usual."""
        return isinstance(self.error, DriveHungError)


def answer_of(error: RefreshdError | InvariantBrokenError) -> Answer:
    """Return the answer that an error is."""
    told = error if isinstance(error, RefreshdError) else None
    return Answer({"error": error_object(error)}, (), error.exit_code, told)


def print_answer(answer: Answer, out: TextIO, *, as_json: bool) -> None:
    """Print an answer on stdout. Raises OSError when nobody takes it."""
    if answer.is_endless:
        for line in answer.lines:
            out.write(f"{line}\n")
            out.flush()
    elif as_json:
        # ASCII alone, so that it reads the same whatever the terminal's encoding is.
        out.write(json.dumps(answer.json, indent=2, ensure_ascii=True) + "\n")
    else:
        out.writelines(f"{line}\n" for line in answer.lines)
    out.flush()
