"""A disk as it lies on the shelf of a simulation, and what is the matter with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto

from refreshd.cards import Evidence
from refreshd.quantities import DriveNumber
from refreshd.simulated.examiner import SimulatedExaminer


class Mishap(Enum):
    """What happens to a worker in the middle of its next pass."""

    WORKER_DIES = auto()
    HANGS = auto()


@dataclass(slots=True)
class ShelvedDrive:
    """A disk as it lies on the shelf."""

    number: DriveNumber
    evidence: Evidence
    rate_bytes_per_s: int = 150_000_000
    bad_chunks: frozenset[int] = frozenset()
    is_dead: bool = False
    mishap: Mishap | None = None
    examiner: SimulatedExaminer | None = None  # None: there is nobody to ask, nor ever was
    is_too_hot: Callable[[], bool] = lambda: False
    fails_in_pass: bool = False  # in the middle of its next refresh it says that it is failing
