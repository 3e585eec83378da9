"""An image file that plays a drive, with a layer of faults over it: the layer is the fiction.

All bytes come from and go to the real `ImageFile`. The layer refuses to read some of them, as
a drive does with a bad sector, and can kill its own process in the middle of a write, as the
loss of power would.
"""

from __future__ import annotations

import os
import signal
from dataclasses import dataclass
from threading import Lock

from refreshd.cards import Evidence, Presence
from refreshd.errors import UnreadableError
from refreshd.quantities import Geometry, Span
from refreshd.wiring.media import WorkableMedium


@dataclass(frozen=True, slots=True)
class Faults:
    """What the layer does. `killed_in_write` counts from 1; None: it never kills."""

    unreadable: tuple[Span, ...] = ()
    killed_in_write: int | None = None


class StandIn:
    """`wiring.media.WorkableMedium` on another one, with faults."""

    def __init__(self, medium: WorkableMedium, faults: Faults) -> None:
        """Lay `faults` over `medium`."""
        self._medium = medium
        self._faults = faults
        self._writes = 0
        self._lock = Lock()

    @property
    def place(self) -> str:
        """Where it is."""
        return self._medium.place

    @property
    def geometry(self) -> Geometry:
        """Size and sectors, in bytes."""
        return self._medium.geometry

    @property
    def has_drive_cache(self) -> bool:
        """Whether a cache of its own stands before the bytes."""
        return self._medium.has_drive_cache

    def evidence(self) -> Evidence:
        """Return what the medium says about itself."""
        return self._medium.evidence()

    def presence(self) -> Presence:
        """Return the stay that it is in."""
        return self._medium.presence()

    def rewrite_objection(self) -> str | None:
        """Return none: an image that plays a drive may lie on any file system."""
        return None

    def read(self, start: int, into: memoryview) -> None:
        """Read, unless a bad place is among the bytes asked for."""
        wanted = Span(start, len(into))
        if any(bad.overlaps(wanted) for bad in self._faults.unreadable):
            raise UnreadableError(self.place, wanted, "EIO (fault layer of the rehearsal)")
        self._medium.read(start, into)

    def write(self, start: int, data: memoryview) -> None:
        """Write, or write half of it and end the process without a word."""
        with self._lock:
            self._writes += 1
            is_last = self._writes == self._faults.killed_in_write
            if is_last:  # Under the lock, so that no other lane goes on meanwhile.
                self._medium.write(start, data[: self._half(len(data))])
                os.kill(os.getpid(), signal.SIGKILL)
        self._medium.write(start, data)

    def _half(self, length: int) -> int:
        block = self.geometry.physical_bytes
        return max(block, length // 2 // block * block)

    def flush(self) -> None:
        """Make all writes durable."""
        self._medium.flush()

    def data_spans(self, span: Span) -> tuple[Span, ...]:
        """Return the parts that are no holes."""
        return self._medium.data_spans(span)

    def drop_cache(self) -> None:
        """Drop what memory holds of it."""
        self._medium.drop_cache()

    def prove_identity(self) -> None:
        """Prove that it is still the same."""
        self._medium.prove_identity()

    def allow_writing(self) -> None:
        """Make it writable."""
        self._medium.allow_writing()

    def forbid_writing(self) -> None:
        """Make it read-only again."""
        self._medium.forbid_writing()

    def close(self) -> None:
        """Let go of it."""
        self._medium.close()
