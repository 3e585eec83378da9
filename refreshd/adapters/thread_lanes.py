"""Lanes as threads: reads, digests and writes overlap, since each of them frees the interpreter."""

from __future__ import annotations

import mmap
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from itertools import islice
from threading import Lock, local
from typing import TypeVar

from refreshd.errors import DriveHungError

T = TypeVar("T")
R = TypeVar("R")

LANE_COUNT = 4
"""Requests under way at once. Beyond four of 1 MiB and more, nothing is gained: measured on a
virtual disk 2026-11; a rotating disk keeps its order, since the four are neighbours."""


class ThreadLanes:
    """`ports.Lanes` with a bounded number of requests under way.

    Args:
        hung_after_s: Longest time that one result may take. A request stuck in the kernel
            cannot be ended, so the caller is told and the thread is left behind; the process
            must then leave with `os._exit`.
    """

    def __init__(self, hung_after_s: float) -> None:
        self._hung_after_s = hung_after_s
        self._pool = ThreadPoolExecutor(LANE_COUNT, thread_name_prefix="lane")
        self._side = ThreadPoolExecutor(1, thread_name_prefix="aside")
        self._own = local()
        self._lock = Lock()
        self._resting = 0  # lanes that wait on purpose now
        self._rests = 0  # how many such waits have ended
        self.is_hung = False

    def each(self, act: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Act on the items in order, up to twice `LANE_COUNT` ahead of the caller."""
        self._refuse_if_hung()
        waiting: deque[Future[R]] = deque()
        source = iter(items)
        try:
            for item in islice(source, LANE_COUNT * 2):
                waiting.append(self._pool.submit(act, item))
            while waiting:
                result = self._await(waiting.popleft())
                for item in islice(source, 1):
                    waiting.append(self._pool.submit(act, item))
                yield result
        finally:
            self._settle(waiting)

    def aside(self, act: Callable[[], R]) -> Callable[[], R]:
        """Start `act` on the side lane."""
        self._refuse_if_hung()
        future = self._side.submit(act)
        return lambda: self._await(future)

    @contextmanager
    def resting(self) -> Iterator[None]:
        """Mark a wait for the rate limit; with a low one it may outlast the longest request."""
        with self._lock:
            self._resting += 1
        try:
            yield
        finally:
            with self._lock:
                self._resting -= 1
                self._rests += 1

    def scratch(self, length: int, use: str = "chunk") -> memoryview:
        """Return this thread's buffer of that use and length: anonymous, page aligned."""
        buffers: dict[tuple[str, int], memoryview] | None = getattr(self._own, "buffers", None)
        if buffers is None:
            buffers = self._own.buffers = {}
        if (use, length) not in buffers:
            buffers[use, length] = memoryview(mmap.mmap(-1, length))
        return buffers[use, length]

    def close(self) -> None:
        """End the threads; do not wait for one that hangs."""
        self._pool.shutdown(wait=not self.is_hung, cancel_futures=True)
        self._side.shutdown(wait=not self.is_hung, cancel_futures=True)

    def _refuse_if_hung(self) -> None:
        """Ask nothing more of a drive or disk that has not answered."""
        if self.is_hung:
            raise DriveHungError("an earlier request is still out; nothing more is asked")

    def _await(self, future: Future[R]) -> R:
        if not self._has_ended(future):
            self.is_hung = True
            raise DriveHungError(
                f"a request has not been answered for {self._hung_after_s:g} s; "
                "the drive or its path hangs"
            )
        return future.result()

    def _has_ended(self, future: Future[R]) -> bool:
        """Wait for the end of an act; False once nothing rested for the longest time allowed."""
        while True:
            rests = self._rests
            if not wait([future], timeout=self._hung_after_s).not_done:
                return True
            if not self._resting and rests == self._rests:
                return False

    def _settle(self, waiting: deque[Future[R]]) -> None:
        """Let what is under way end before the caller reuses a buffer or reports.

        Raises nothing, since another error is on its way to the caller already; if one of
        them hangs, the next thing asked for is refused.
        """
        for future in waiting:
            future.cancel()
        for future in waiting:
            if self.is_hung:
                return
            self.is_hung = not self._has_ended(future)
