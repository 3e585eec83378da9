"""Workers as processes of this program, followed in the loop of the service.

1. No call waits: starting, talking and killing are done by a task for each worker.
2. What a worker says is told in its order, and at the end, exactly once, that it has ended.
3. A line that is no message goes to the log and nowhere else: a worker that went wrong can
   harm nobody but itself.
4. A worker is asked to stop, and has time for its segment. One that has said its last word, or
   had its time, is killed; one that does not even die of that hangs in the kernel. It is left
   alone, without waiting, and what it holds open goes with it one day.
5. When this process dies, the workers' stdin ends, and they stop at their next checkpoint.
"""

from __future__ import annotations

import asyncio
import errno
import json
import logging
import os
import signal
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import refreshd
from refreshd.errors import require
from refreshd.messages import (
    MESSAGES,
    AnyMessage,
    Identified,
    IdentityUnclear,
    Released,
    ReleaseFailed,
    VisitEnded,
    WorkerEnded,
)
from refreshd.orders import ACCESSION, IDENTIFY, PROVING, RELEASE, REST, VISIT, Order
from refreshd.ports import Seat, VisitOrder
from refreshd.quantities import KIB, MIB

LOG = logging.getLogger("refreshd.workers")

LAST_WORDS = (Identified, IdentityUnclear, VisitEnded, Released, ReleaseFailed)
"""After one of these a worker ends by itself, at once."""

LINE_BYTES_MAX = 16 * MIB
"""A report with a finding for each of 50,000 chunks fits; more is no message."""

STDERR_BYTES_KEPT = 4 * KIB
SHOWN_CHARACTERS_MAX = 200
SPAWN_FAILED = 126
"""Source: POSIX shell, exit status of a command that was found but could not be run."""

Hear = Callable[[Seat, AnyMessage], None]


@dataclass(frozen=True, slots=True)
class Patience:
    """How long a worker is waited for, in seconds, step by step.

    `stop`: from being asked to stop. The slowest rate limit, 1 MB/s, needs most of it for its
    segment and the bytes that must go over the drive before the read-back.
    `end`: from its last word. `term`: from SIGTERM. `kill`: from SIGKILL.
    """

    stop_s: float = 1800.0
    end_s: float = 10.0
    term_s: float = 10.0
    kill_s: float = 5.0


@dataclass(frozen=True, slots=True)
class WorkerSetting:
    """What workers are started with: state directory and the policy in force, by its text.

    The text is handed over, since the file may hold another one by now, that was refused.
    """

    state: Path
    policy_file: Path | None = None
    policy_text: str | None = None


@dataclass(eq=False)
class _Worker:
    """One worker process, from the order to its end."""

    seat: Seat
    order: Order
    policy_text: str | None
    process: asyncio.subprocess.Process | None = None
    is_stopping: bool = False
    is_over: asyncio.Event = field(default_factory=asyncio.Event)
    is_done_talking: bool = False
    timer: asyncio.TimerHandle | None = None


class WorkerProcesses:
    """
    `ports.Bays`. Made and called in the loop.

    Args:
        setting: What workers are started with now.
        hear: Told each message, in the loop. Must not raise.
        patience: See there.
        command: What a worker is started by; tests have others.
        send: Sends a signal to a session; tests have a kernel that holds processes.

    """

    def __init__(
        self,
        setting: Callable[[], WorkerSetting],
        hear: Hear,
        patience: Patience | None = None,
        command: Sequence[str] = (sys.executable, "-P", "-m", "refreshd.worker"),
        send: Callable[[int, int], None] = os.killpg,
    ) -> None:
        self._setting = setting
        self._hear = hear
        self._patience = patience or Patience()
        self._command = tuple(command)
        self._send = send
        self._workers: dict[Seat, _Worker] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self.left: set[asyncio.Task[None]] = set()
        """Workers that hang in the kernel; nobody waits for them."""

    def identify(self, seat: Seat) -> None:
        """Find out which drive is at a seat, without writing."""
        self._begin(seat, self._order(IDENTIFY, seat))

    def visit(self, seat: Seat, order: VisitOrder) -> None:
        """Run a pass, read the health, prove a drive or take one into care."""
        self._begin(seat, self._visit_order(seat, order))

    def rest(self, seat: Seat) -> None:
        """Let the disk stop turning. It stays connected; the next visit wakes it."""
        self._begin(seat, self._order(REST, seat))

    def release(self, seat: Seat) -> None:
        """Flush and stop the disk, so that it may be unplugged."""
        self._begin(seat, self._order(RELEASE, seat))

    def stop(self, seat: Seat) -> None:
        """Ask the worker at a seat to stop at its next checkpoint."""
        worker = self._workers.get(seat)
        if worker is None or worker.is_stopping:
            return
        worker.is_stopping = True
        loop = asyncio.get_running_loop()
        worker.timer = loop.call_later(self._patience.stop_s, worker.is_over.set)
        _say_stop(worker)

    @property
    def is_idle(self) -> bool:
        """Say whether no worker is under way."""
        return not self._workers

    async def close(self, seconds: float) -> None:
        """Ask all to stop; after so many seconds end those that are left. All are told of."""
        for seat in tuple(self._workers):
            self.stop(seat)
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=seconds)
        for worker in self._workers.values():
            worker.is_over.set()
        if self._tasks:
            await asyncio.wait(self._tasks)

    def _order(self, act: str, seat: Seat) -> Order:
        setting = self._setting()
        return Order(
            act=act,
            node=seat.node,
            sequence=seat.disk_sequence,
            state=setting.state,
            policy=setting.policy_file,
            has_policy_text=setting.policy_text is not None,
        )

    def _visit_order(self, seat: Seat, wanted: VisitOrder) -> Order:
        card, proving = wanted.card, wanted.proving
        if proving is not None:
            return replace(self._order(PROVING, seat), **asdict(proving))
        if card is None:
            return replace(
                self._order(VISIT, seat),
                drive=wanted.drive,
                kind=wanted.kind,
                is_closing=wanted.is_closing,
                lets_sleep=wanted.lets_sleep,
            )
        return replace(
            self._order(ACCESSION, seat),
            drive=wanted.drive,
            shelfmark=card.shelfmark,
            title=card.title,
            medium=card.medium,
            written_on=card.written_on,
            holding=card.holding,
        )

    def _begin(self, seat: Seat, order: Order) -> None:
        require(seat not in self._workers, f"one worker at a time at {seat.node}")
        worker = _Worker(seat, order, self._setting().policy_text)
        self._workers[seat] = worker
        task = asyncio.get_running_loop().create_task(self._run(worker))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _run(self, worker: _Worker) -> None:
        """Follow a worker from its start to its end, and tell of the end whatever happens."""
        told = WorkerEnded(exit_code=SPAWN_FAILED, last_words="it could not be followed")
        try:
            told = await self._followed(worker)
        except OSError as err:
            cause = errno.errorcode.get(err.errno or 0, str(err))
            told = WorkerEnded(
                exit_code=SPAWN_FAILED, last_words=f"the worker could not be started ({cause})"
            )
        finally:
            if worker.timer is not None:
                worker.timer.cancel()
            del self._workers[worker.seat]
            self._hear(worker.seat, told)

    async def _followed(self, worker: _Worker) -> WorkerEnded:
        process = worker.process = await asyncio.create_subprocess_exec(
            *self._command,
            *worker.order.words(),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            limit=LINE_BYTES_MAX,
            env=_environment(os.environ),
            cwd="/",
            start_new_session=True,  # Ctrl-C in the service's terminal is for the service.
        )
        _write(worker, b"" if worker.policy_text is None else _as_line(worker.policy_text))
        if worker.is_stopping:
            _say_stop(worker)
        tail = _Tail()
        ended = asyncio.ensure_future(process.wait())
        reading = asyncio.ensure_future(self._read(worker, process))
        telling = asyncio.ensure_future(tail.read(process))
        try:
            is_left = not await self._has_ended(worker, ended)
            # What it said last may still be in the pipe; of one that is left, no more is awaited.
            await asyncio.wait({reading, telling}, timeout=self._patience.kill_s)
        finally:
            for task in (ended, reading, telling):
                task.cancel()
            if process.stdin is not None:
                process.stdin.close()
        if is_left:
            self._leave(worker, process)
        code = process.returncode
        return WorkerEnded(
            exit_code=-signal.SIGKILL if code is None else code,
            is_left=is_left,
            last_words=tail.text(),
        )

    async def _has_ended(self, worker: _Worker, ended: asyncio.Future[int]) -> bool:
        """Wait for the end of a worker, and hasten it once it is over; False: it is left."""
        over = asyncio.ensure_future(worker.is_over.wait())
        awaited: set[asyncio.Future[Any]] = {ended, over}
        await asyncio.wait(awaited, return_when=asyncio.FIRST_COMPLETED)
        over.cancel()
        patience = self._patience
        steps: tuple[tuple[signal.Signals | None, float], ...] = (
            (None, patience.end_s if worker.is_done_talking else 0.0),
            (signal.SIGTERM, 0.0 if worker.is_done_talking else patience.term_s),
            (signal.SIGKILL, patience.kill_s),
        )
        for number, seconds in steps:
            if ended.done():
                return True
            if number is not None:
                self._signal(worker, number)
            await asyncio.wait({ended}, timeout=seconds)
        return ended.done()

    def _leave(self, worker: _Worker, process: asyncio.subprocess.Process) -> None:
        """Say that a worker hangs in the kernel, and, whenever that is, that it ended."""
        node = worker.seat.node
        LOG.error("%s: worker %d hangs in the kernel and is left alone", node, process.pid)

        async def end() -> None:
            code = await process.wait()
            LOG.warning("%s: worker %d, which hung, ended with %d", node, process.pid, code)

        task = asyncio.get_running_loop().create_task(end())
        self.left.add(task)
        task.add_done_callback(self.left.discard)

    def _signal(self, worker: _Worker, number: signal.Signals) -> None:
        """Signal the session of a worker: it, and what it may have started."""
        if worker.process is not None:
            with suppress(ProcessLookupError, PermissionError):
                self._send(worker.process.pid, number)

    async def _read(self, worker: _Worker, process: asyncio.subprocess.Process) -> None:
        """Tell what a worker says, line by line."""
        stream = process.stdout
        require(stream is not None, "a worker is started with pipes")
        while stream is not None:
            try:
                line = await stream.readline()
            except ValueError:  # longer than any message
                LOG.warning("%s: a line of more than %d bytes", worker.seat.node, LINE_BYTES_MAX)
                continue
            if not line:
                break
            self._tell(worker, line)
        worker.is_done_talking = True
        worker.is_over.set()

    def _tell(self, worker: _Worker, line: bytes) -> None:
        try:
            message = MESSAGES.validate_json(line)
        except ValueError:
            shown = line[:SHOWN_CHARACTERS_MAX]
            LOG.warning("%s: the worker said what is no message: %r", worker.seat.node, shown)
            return
        if isinstance(message, WorkerEnded):
            LOG.warning("%s: the worker said of itself that it had ended", worker.seat.node)
            return
        self._hear(worker.seat, message)
        if isinstance(message, LAST_WORDS):
            worker.is_done_talking = True
            worker.is_over.set()


class _Tail:
    """The end of what a worker says on stderr."""

    def __init__(self) -> None:
        self._kept = b""

    async def read(self, process: asyncio.subprocess.Process) -> None:
        """Read to the end, and keep the last bytes."""
        stream = process.stderr
        while stream is not None and (piece := await stream.read(STDERR_BYTES_KEPT)):
            self._kept = (self._kept + piece)[-STDERR_BYTES_KEPT:]

    def text(self) -> str:
        """Return what was kept, as text that harms no terminal."""
        text = self._kept.decode("utf-8", "replace").strip()
        return "".join(one if one.isprintable() or one == "\n" else " " for one in text)


def _say_stop(worker: _Worker) -> None:
    _write(worker, b"stop\n")


def _write(worker: _Worker, words: bytes) -> None:
    """Write to a worker; one that has ended hears nothing."""
    process = worker.process
    if process is None or process.stdin is None or process.stdin.is_closing():
        return
    process.stdin.write(words)


def _as_line(text: str) -> bytes:
    return json.dumps(text).encode() + b"\n"


_KEPT_NAMES = frozenset({"PATH", "HOME", "TZ", "LANG", "LC_ALL", "LC_CTYPE", "VIRTUAL_ENV"})


def _environment(environ: Mapping[str, str]) -> dict[str, str]:
    """Return what a worker needs of the environment: nothing that systemd says to the service."""
    kept = {name: value for name, value in environ.items() if name in _KEPT_NAMES}
    # So that a worker is of the same refreshd as the service, wherever that was started from.
    return kept | {"PYTHONPATH": str(Path(refreshd.__file__).parents[1]), "PYTHONUNBUFFERED": "1"}
