"""Lanes that do one thing after the other, so that a simulation runs the same way each time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


class InlineLanes:
    """`ports.Lanes` without threads."""

    is_hung = False

    def __init__(self) -> None:
        self._buffers: dict[tuple[str, int], memoryview] = {}

    def each(self, act: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Act on one item after the other."""
        return map(act, items)

    def aside(self, act: Callable[[], R]) -> Callable[[], R]:
        """Act at once; a failure waits until it is asked for."""
        try:
            result = act()
        except Exception as err:  # noqa: BLE001 - handed on unchanged, where a thread would.
            failure = err

            def fail() -> R:
                raise failure

            return fail
        return lambda: result

    def resting(self) -> AbstractContextManager[None]:
        """Wait as long as it takes: nothing hangs here."""
        return nullcontext()

    def scratch(self, length: int, use: str = "chunk") -> memoryview:
        """Return the one buffer of that use and length."""
        if (use, length) not in self._buffers:
            self._buffers[use, length] = memoryview(bytearray(length))
        return self._buffers[use, length]
