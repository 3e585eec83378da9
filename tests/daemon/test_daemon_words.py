"""What the service says of itself, and when its bell is rung."""

from __future__ import annotations

import asyncio
import logging
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from refreshd.adapters.systemd_notify import Notifier
from refreshd.cards import Pause
from refreshd.caretaker import Doing, DriveHere, Status, VisitUnderWay
from refreshd.configfile import LoadedPolicy
from refreshd.daemon.bells import Bells
from refreshd.daemon.narration import LoggedBoard, line_of, status_sentence
from refreshd.daemon.policy_in_force import PolicyInForce, PolicySource
from refreshd.daemon.serving import Wish, _Service
from refreshd.errors import DriveHungError, InvariantBrokenError, PassStoppedError, RefreshdError
from refreshd.messages import (
    AnyMessage,
    Identified,
    Moved,
    Released,
    ReleaseFailed,
    VisitEnded,
    WorkerEnded,
    told,
)
from refreshd.policy import Policy
from refreshd.ports import Notice, Seat, Urgency
from refreshd.quantities import DriveNumber, Outcome, PassKind
from refreshd.simulated.clock import SimulatedClock
from refreshd.wiring.shelf import shelf_for_writing
from refreshd.wiring.station import Station
from tests.caretaker.premises import FakeNotices
from tests.fakes.house import Silent

SEAT = Seat("/dev/sdb", 31)
K07 = DriveNumber("K07")
NOW = datetime(2031, 3, 14, 9, 0, tzinfo=UTC)
DEADLINE_S = 20.0


def visit_ended(
    outcome: Outcome, error: RefreshdError | None = None, findings: int = 0
) -> VisitEnded:
    """Return the end of a visit of K07."""
    return VisitEnded(
        drive=K07,
        pass_kind=PassKind.REFRESH,
        outcome=outcome,
        is_complete=error is None,
        findings=findings,
        error=None if error is None else told(error),
    )


@pytest.mark.parametrize(
    ("message", "level", "words"),
    [
        (visit_ended(Outcome.SUCCESS), logging.INFO, "refresh pass ended: success."),
        (visit_ended(Outcome.WARNING, None, 2), logging.WARNING, "warning, 2 findings"),
        (visit_ended(Outcome.FAIL, PassStoppedError("as asked")), logging.INFO, "as asked"),
        (
            visit_ended(Outcome.FAIL, DriveHungError("while reading 512 bytes at byte 8192")),
            logging.ERROR,
            "at byte 8192",
        ),
        (Released(how="flushed, spun down"), logging.INFO, "it may be unplugged"),
        (
            ReleaseFailed(error=told(DriveHungError("no answer"))),
            logging.ERROR,
            "not released: no answer",
        ),
        (WorkerEnded(exit_code=-9), logging.WARNING, "killed by signal 9"),
        (WorkerEnded(exit_code=-9, is_left=True), logging.ERROR, "hangs in the kernel"),
    ],
)
def test_the_log_says_how_grave_a_thing_is(message: AnyMessage, level: int, words: str) -> None:
    """An administrator who looks for errors finds hangs, and no stop that was asked for."""
    line = line_of(SEAT, K07, message)

    assert line is not None
    assert line.level == level
    assert words in line.sentence
    assert line.sentence.startswith("K07 at /dev/sdb: ")


@pytest.mark.parametrize(
    "message", [Moved(done_bytes=1, of_bytes=2, doing="reading"), WorkerEnded(exit_code=0)]
)
def test_what_is_of_no_interest_later_is_not_logged(message: AnyMessage) -> None:
    """A pass moves twice a second for days."""
    assert line_of(SEAT, K07, message) is None


def under_way(left_s: float | None = 7200.0, hangs_at_byte: int | None = None) -> VisitUnderWay:
    """Return a visit that is 41 % done."""
    return VisitUnderWay(
        seat=SEAT,
        drive=K07,
        kind=PassKind.REFRESH,
        is_closing=False,
        asked_by="",
        begun_at=NOW,
        done_bytes=41,
        of_bytes=100,
        doing="rewriting",
        left_s=left_s,
        hangs_at_byte=hangs_at_byte,
    )


@pytest.mark.parametrize(
    ("status", "sentence"),
    [
        (Status(NOW, 1), "Waiting for a drive."),
        (Status(NOW, 1, pause=Pause("ada", NOW)), "Paused by ada."),
        (
            Status(NOW, 1, here=(DriveHere(SEAT, Doing.RELEASED, K07, None, NOW),)),
            "K07 may be unplugged.",
        ),
        (
            Status(NOW, 1, visits=(under_way(),)),
            "K07: rewriting 41.0 % of the drive, 2 hours left.",
        ),
        (
            Status(NOW, 1, visits=(under_way(left_s=None, hangs_at_byte=8192),)),
            "K07: rewriting 41.0 % of the drive, hangs at byte 8192.",
        ),
        (
            Status(NOW, 1, clock_alarm="the clock is behind"),
            "ALARM: the clock is behind; Waiting for a drive.",
        ),
    ],
)
def test_the_status_reads_like_a_sentence(status: Status, sentence: str) -> None:
    """It is one line of `systemctl status`."""
    assert status_sentence(status) == sentence


def rung(at: list[datetime | None]) -> int:
    """Set bells one after the other, and return how often it rang until a second had passed."""

    async def listen() -> int:
        heard: asyncio.Queue[None] = asyncio.Queue()
        bells = Bells(lambda: heard.put_nowait(None))
        bells.start()
        for moment in at:
            bells.set(moment)
        try:
            await asyncio.wait_for(heard.get(), 1.0)
        except TimeoutError:
            return 0
        finally:
            bells.close()
        return 1 + heard.qsize()

    return asyncio.run(listen())


def test_a_bell_of_the_past_is_rung_at_once_and_once() -> None:
    """The server was off for months: what was missed is made up for by one bell."""
    assert rung([NOW.replace(year=2001)]) == 1


def test_a_bell_that_is_set_for_this_moment_while_one_rings_is_rung_too(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Dropped, it would be missed, and the log would fill with words about the scheduler."""

    async def listen() -> None:
        done = asyncio.Event()
        moments = [NOW.replace(year=2003), NOW.replace(year=2002)]

        def ring() -> None:
            bells.set(moments.pop()) if moments else done.set()

        bells = Bells(ring)
        bells.start()
        bells.set(NOW.replace(year=2001))
        try:
            await asyncio.wait_for(done.wait(), 5.0)
        finally:
            bells.close()

    asyncio.run(listen())

    assert caplog.messages == []


def test_a_bell_that_was_put_off_is_not_rung() -> None:
    """The last one that was set counts; none at all is no reason to ring."""
    far = NOW + timedelta(days=365 * 200)

    assert rung([NOW.replace(year=2001), far]) == 0
    assert rung([far, None]) == 0


def test_identity_is_said_with_the_number() -> None:
    """Whoever reads the log sees which drive came, without looking it up."""
    from refreshd.cards import Carrier, Evidence, Presence  # noqa: PLC0415 - for this test alone.

    evidence = Evidence(Carrier.BLOCK, 1 << 20, 512, 512)
    found = Identified(drive=K07, evidence=evidence, presence=Presence())
    line = line_of(SEAT, None, found)

    assert line is not None
    assert line.sentence == "/dev/sdb: this is K07."


def test_an_alarm_is_in_the_log_whatever_channels_there_are(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Where the policy names no channel, nobody else would ever hear of it."""
    board = FakeNotices()
    logged = LoggedBoard(board)
    logged.post(Notice(Urgency.ALARMS, "The clock is not believed", "It is behind.\n\nSet it."))
    logged.post(Notice(Urgency.SLIPS, "Please bring out K07", "It is due."))

    (line,) = caplog.records
    assert line.levelno == logging.ERROR
    assert line.getMessage() == "The clock is not believed: It is behind. Set it."
    assert [one.subject for one in board.posted] == [
        "The clock is not believed",
        "Please bring out K07",
    ]


def test_a_fault_in_one_callback_ends_nothing_and_a_broken_invariant_everything(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The one is logged with its traceback; after the other the drives are left alone."""
    place = tmp_path / "policy.toml"
    source = PolicySource(None, {"HOME": str(tmp_path)}, is_root=False)
    wish = Wish(tmp_path / "state", source, None)
    station = Station(wish.state, LoadedPolicy(Policy()), SimulatedClock(), Silent())
    policy = PolicyInForce(station.policy, place)
    with shelf_for_writing(station) as shelf:
        service = _Service(wish, station, policy, shelf, Notifier(None))

        def bad() -> None:
            raise ValueError("a fault of ours")

        def broken() -> None:
            raise InvariantBrokenError("two writers")

        service._guarded(bad)()
        went_on = not service._end.is_set()
        service._guarded(broken)()

    assert went_on
    assert service._end.is_set()
    assert isinstance(service._fault, InvariantBrokenError)
    assert "Traceback" in caplog.text
    assert "a fault of ours" in caplog.text
