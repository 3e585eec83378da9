"""Workers as processes: told of in order, ended in the end, whatever they do."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import signal
import sys
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from refreshd.adapters.worker_processes import Patience, WorkerProcesses, WorkerSetting
from refreshd.errors import InvariantBrokenError
from refreshd.messages import AnyMessage, Moved, Released, Said, WorkerEnded
from refreshd.orders import read_order
from refreshd.ports import NO_NUMBER, NewCard, ProvingWish, Seat, VisitOrder
from refreshd.quantities import DriveNumber, MediumKind, PassKind

SEAT = Seat("/dev/sdx", 7)
DEADLINE_S = 30.0
IMPATIENT = Patience(stop_s=0.3, end_s=0.3, term_s=0.3, kill_s=5.0)

SAY = """
import json, signal, sys, time
def say(kind, **more):
    print(json.dumps({"kind": kind} | more), flush=True)
"""


@dataclass
class Bay:
    """Workers that are a few lines of Python, and all that was heard of them."""

    setting: WorkerSetting
    heard: list[AnyMessage] = field(default_factory=list)
    spoken: asyncio.Event = field(default_factory=asyncio.Event)
    ended: asyncio.Event = field(default_factory=asyncio.Event)

    def workers(
        self,
        script: str,
        patience: Patience | None = None,
        send: Callable[[int, int], None] = os.killpg,
    ) -> WorkerProcesses:
        """Return bays whose workers run a script."""
        command = (sys.executable, "-c", SAY + script)
        return WorkerProcesses(lambda: self.setting, self.hear, patience, command, send)

    def hear(self, seat: Seat, message: AnyMessage) -> None:
        """Keep a message."""
        assert seat == SEAT
        self.heard.append(message)
        self.spoken.set()
        if isinstance(message, WorkerEnded):
            self.ended.set()

    async def end(self) -> WorkerEnded:
        """Wait for the end, and return it: it is the last message, and the only one of its kind."""
        async with asyncio.timeout(DEADLINE_S):
            await self.ended.wait()
        ends = [one for one in self.heard if isinstance(one, WorkerEnded)]
        assert len(ends) == 1
        assert self.heard[-1] is ends[0]
        return ends[0]


def played(act: Callable[[Bay], Coroutine[None, None, None]], setting: WorkerSetting) -> Bay:
    """Play something in a loop, and return what was heard."""

    async def play() -> Bay:
        bay = Bay(setting)
        await act(bay)
        return bay

    return asyncio.run(play())


@pytest.fixture
def setting(tmp_path: Path) -> WorkerSetting:
    """Return a setting without a policy."""
    return WorkerSetting(tmp_path)


def test_messages_come_in_order_and_the_end_comes_last(setting: WorkerSetting) -> None:
    """The caretaker may begin the next worker when it hears of the end."""

    async def act(bay: Bay) -> None:
        bay.workers(
            "for n in range(50): say('moved', done_bytes=n, of_bytes=50, doing='reading')\n"
            "say('released', how='flushed')"
        ).release(SEAT)
        assert (await bay.end()).exit_code == 0

    heard = played(act, setting).heard
    assert [one.done_bytes for one in heard if isinstance(one, Moved)] == list(range(50))
    assert isinstance(heard[-2], Released)


def test_what_is_no_message_goes_to_the_log_and_nowhere_else(
    setting: WorkerSetting, caplog: pytest.LogCaptureFixture
) -> None:
    """A worker that went wrong, or says that it has ended, is believed nothing."""

    async def act(bay: Bay) -> None:
        bay.workers(
            "print('{not json'); print('\\x1b[2J'); say('worker-ended', exit_code=0)\n"
            "say('said', sentence='after all')"
        ).release(SEAT)
        await bay.end()

    with caplog.at_level(logging.WARNING):
        heard = played(act, setting).heard
    assert [type(one) for one in heard] == [Said, WorkerEnded]
    assert caplog.text.count("no message") == 2
    assert "\x1b" not in caplog.text


def test_a_killed_worker_is_told_of_with_its_last_words(setting: WorkerSetting) -> None:
    """Whoever looks for the reason finds what it said on stderr, without what moves a cursor."""

    async def act(bay: Bay) -> None:
        bay.workers(
            "import os; sys.stderr.write('\\x1b[31mit went wrong'); sys.stderr.flush()\n"
            "os.kill(os.getpid(), signal.SIGKILL)"
        ).release(SEAT)
        end = await bay.end()
        assert (end.exit_code, end.is_left) == (-signal.SIGKILL, False)
        assert end.last_words.endswith("it went wrong")
        assert "\x1b" not in end.last_words

    played(act, setting)


def test_a_worker_that_cannot_be_started_ends_like_any_other(setting: WorkerSetting) -> None:
    """The caretaker waits for exactly one end, in every case."""

    async def act(bay: Bay) -> None:
        workers = WorkerProcesses(lambda: setting, bay.hear, None, ("/nonexistent/python",))
        workers.identify(SEAT)
        assert not bay.heard  # No call waits, and none tells before it returned.
        assert "ENOENT" in (await bay.end()).last_words
        assert workers.is_idle

    played(act, setting)


def test_a_stop_is_said_once_and_waited_for(setting: WorkerSetting) -> None:
    """The word reaches the worker even when it was said before the process ran."""

    async def act(bay: Bay) -> None:
        workers = bay.workers("say('said', sentence=sys.stdin.readline().strip())")
        workers.release(SEAT)
        workers.stop(SEAT)
        workers.stop(SEAT)
        assert (await bay.end()).exit_code == 0

    (said, _) = played(act, setting).heard
    assert isinstance(said, Said)
    assert said.sentence == "stop"


def test_a_worker_that_does_not_stop_is_ended_by_force(setting: WorkerSetting) -> None:
    """First it is asked again, by SIGTERM; who ignores that, too, is killed."""

    async def act(bay: Bay) -> None:
        workers = bay.workers(
            "signal.signal(signal.SIGTERM, lambda *_: say('said', sentence='no'))\n"
            "say('said', sentence='here')\n"
            "while True: time.sleep(60)",
            IMPATIENT,
        )
        workers.release(SEAT)
        async with asyncio.timeout(DEADLINE_S):
            await bay.spoken.wait()
        workers.stop(SEAT)
        end = await bay.end()
        assert (end.exit_code, end.is_left) == (-signal.SIGKILL, False)

    heard = played(act, setting).heard
    assert [one.sentence for one in heard if isinstance(one, Said)] == ["here", "no"]


def test_a_worker_that_said_its_last_word_does_not_linger(setting: WorkerSetting) -> None:
    """After the end of a visit was told, the seat is free again in seconds."""

    async def act(bay: Bay) -> None:
        bay.workers(
            "say('released', how='flushed')\nwhile True: time.sleep(60)", IMPATIENT
        ).release(SEAT)
        assert (await bay.end()).exit_code in {-signal.SIGKILL, -signal.SIGTERM}

    played(act, setting)


def test_a_worker_in_the_kernel_is_left_alone(setting: WorkerSetting) -> None:
    """One that even SIGKILL does not end is not waited for, and its last word was told before."""
    sent: list[int] = []
    patience = Patience(stop_s=0.2, end_s=0.2, term_s=0.2, kill_s=0.2)

    async def act(bay: Bay) -> None:
        workers = bay.workers(
            "import os; say('said', sentence=str(os.getpid()))\n"
            "say('released', how='flushed')\n"
            "time.sleep(600)",
            patience,
            lambda _pid, number: sent.append(number),
        )
        workers.release(SEAT)
        end = await bay.end()
        assert (end.is_left, end.exit_code) == (True, -signal.SIGKILL)
        assert workers.is_idle
        (said,) = (one for one in bay.heard if isinstance(one, Said))
        os.kill(int(said.sentence), signal.SIGKILL)
        await asyncio.wait_for(asyncio.gather(*workers.left), DEADLINE_S)
        assert isinstance(bay.heard[-1], WorkerEnded)  # It is not told of a second time.

    heard = played(act, setting).heard
    assert isinstance(heard[-2], Released)
    assert sent == [signal.SIGTERM, signal.SIGKILL]


def test_the_policy_in_force_is_handed_over_as_text(tmp_path: Path) -> None:
    """The file may hold another policy by now, one that was refused."""
    text = '[visits]\nio_priority = "low"\n# ä\n'
    setting = WorkerSetting(tmp_path, tmp_path / "policy.toml", text)

    async def act(bay: Bay) -> None:
        bay.workers("say('said', sentence=json.loads(sys.stdin.readline()))").release(SEAT)
        await bay.end()

    (said, _) = played(act, setting).heard
    assert isinstance(said, Said)
    assert said.sentence == text


def test_a_worker_sees_nothing_that_is_meant_for_the_service(
    setting: WorkerSetting, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It must not speak to systemd in the service's name, nor inherit what a shell set."""
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/nobody")
    monkeypatch.setenv("PYTHONSTARTUP", "/nowhere")

    async def act(bay: Bay) -> None:
        bay.workers("import os; say('said', sentence=' '.join(sorted(os.environ)))").release(SEAT)
        await bay.end()

    (said, _) = played(act, setting).heard
    assert isinstance(said, Said)
    assert {"NOTIFY_SOCKET", "PYTHONSTARTUP"}.isdisjoint(said.sentence.split())


def test_one_worker_at_a_time_at_a_seat(setting: WorkerSetting) -> None:
    """Two processes on one disk would be two writers."""

    async def act(bay: Bay) -> None:
        workers = bay.workers("pass")
        workers.identify(SEAT)
        with pytest.raises(InvariantBrokenError, match="one worker at a time"):
            workers.release(SEAT)
        await bay.end()

    played(act, setting)


def test_the_end_of_the_service_waits_for_checkpoints_and_then_no_longer(
    setting: WorkerSetting,
) -> None:
    """Who stops in time ends by himself; who does not is ended, and told of all the same."""

    async def act(bay: Bay) -> None:
        workers = bay.workers("sys.stdin.readline(); say('said', sentence='checkpoint')")
        workers.release(SEAT)
        await workers.close(DEADLINE_S)
        assert [type(one) for one in bay.heard] == [Said, WorkerEnded]

    async def impatient(bay: Bay) -> None:
        workers = bay.workers("time.sleep(600)", IMPATIENT)
        workers.release(SEAT)
        await workers.close(0.0)
        assert (await bay.end()).exit_code == -signal.SIGTERM

    played(act, setting)
    played(impatient, setting)


@pytest.mark.parametrize(
    "wanted",
    [
        VisitOrder(DriveNumber("K07"), PassKind.HEALTH, lets_sleep=True),
        VisitOrder(DriveNumber("K07"), PassKind.HEALTH),
        VisitOrder(
            NO_NUMBER,
            PassKind.PROVING,
            on=SEAT.node,
            proving=ProvingWish(is_erasing=True, erase_drive="-- ZX 42", is_anew=True),
        ),
        VisitOrder(
            NO_NUMBER,
            PassKind.PROVING,
            on=SEAT.node,
            proving=ProvingWish(is_reading_only=True, leaves_out_extended_test=True),
        ),
    ],
)
def test_an_order_to_read_or_to_prove_arrives_as_it_was_given(
    tmp_path: Path, wanted: VisitOrder
) -> None:
    """What was said twice is still said twice, and for the same drive."""

    async def act(bay: Bay) -> None:
        bay.workers("say('said', sentence=json.dumps(sys.argv[1:]))").visit(SEAT, wanted)
        await bay.end()

    (said, _) = played(act, WorkerSetting(tmp_path)).heard
    assert isinstance(said, Said)
    order = read_order(json.loads(said.sentence))
    assert (order.node, order.sequence) == (SEAT.node, SEAT.disk_sequence)
    assert (order.pass_kind, order.drive) == (wanted.kind, wanted.drive)
    assert order.lets_sleep is wanted.lets_sleep
    assert order.proving_wish == (wanted.proving or ProvingWish())


@pytest.mark.parametrize("card", [None, NewCard("R1", "-- odd", MediumKind.SSD, None, "films")])
def test_an_order_arrives_as_it_was_given(tmp_path: Path, card: NewCard | None) -> None:
    """What the caretaker wants is what the worker reads from its words, odd titles included."""
    kind = PassKind.REFRESH if card is None else PassKind.ACCESSION
    wanted = VisitOrder(DriveNumber("K07"), kind, is_closing=card is None, card=card)

    async def act(bay: Bay) -> None:
        bay.workers("say('said', sentence=json.dumps(sys.argv[1:]))").visit(SEAT, wanted)
        await bay.end()

    (said, _) = played(act, WorkerSetting(tmp_path)).heard
    assert isinstance(said, Said)
    order = read_order(json.loads(said.sentence))
    assert (order.node, order.sequence, order.drive) == (SEAT.node, SEAT.disk_sequence, "K07")
    assert (order.pass_kind, order.is_closing) == (kind, card is None)
    if card is not None:
        told = (order.shelfmark, order.title, order.medium, order.written_on, order.holding)
        assert told == ("R1", "-- odd", MediumKind.SSD, None, "films")
