"""How much of the server a worker may have, against everything else that runs on it."""

from __future__ import annotations

import errno
import os

import psutil

from refreshd.policy_tables import IoPriority

_NICE = {IoPriority.IDLE: 19, IoPriority.LOW: 10, IoPriority.NORMAL: 0}
_LEVEL_LOWEST = 7
"""Source: ioprio_set(2): level 7 of the best-effort class is the lowest."""


def take_priority(wanted: IoPriority) -> str | None:
    """
    Set class of requests and niceness of this process; what it starts inherits both.

    Returns:
        None, or why it could not be done, in words: the pass is slower to others, no less safe.

    """
    process = psutil.Process()
    try:
        if wanted is IoPriority.IDLE:
            process.ionice(psutil.IOPRIO_CLASS_IDLE)
        elif wanted is IoPriority.LOW:
            process.ionice(psutil.IOPRIO_CLASS_BE, _LEVEL_LOWEST)
        # Never below what this process was started with: a nice value cannot be taken back.
        os.nice(max(0, _NICE[wanted] - os.nice(0)))
    except (OSError, psutil.Error) as err:
        cause = errno.errorcode.get(getattr(err, "errno", 0) or 0, type(err).__name__)
        return (
            f"The priority {wanted.value} could not be taken ({cause}); the pass runs all the same."
        )
    return None
