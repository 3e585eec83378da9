"""How the service's state is told: sentences for people, each with what to do next."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from refreshd.cards import Carrier, Evidence, Pause, Presence
from refreshd.caretaker.status import Doing, DriveHere, DriveToMind, Status, VisitUnderWay
from refreshd.errors import DriveError
from refreshd.health_cards import EvidenceLine, HealthState, Verdict
from refreshd.messages import (
    AnyMessage,
    Identified,
    IdentityUnclear,
    Moved,
    Released,
    ReleaseFailed,
    Said,
    VisitEnded,
    WorkerEnded,
    told,
)
from refreshd.ports import Seat
from refreshd.quantities import GIB, DriveNumber, Errand, Outcome, PassKind
from refreshd.reception.wire import Heard
from refreshd.spreading import PlannedVisit
from refreshd.telling.service_as_json import status_object
from refreshd.telling.status import (
    heard_line,
    paused_line,
    resumed_line,
    status_lines,
    stopping_line,
)

K07 = DriveNumber("K07")
SEAT = Seat("/dev/sdb", 7)
NOON = datetime(2031, 3, 14, 12, 0, tzinfo=UTC)
EVIDENCE = Evidence(Carrier.BLOCK, GIB, 512, 4096)

VISIT = VisitUnderWay(
    seat=SEAT,
    drive=K07,
    kind=PassKind.REFRESH,
    is_closing=False,
    asked_by="vera",
    begun_at=NOON,
    done_bytes=GIB // 4,
    of_bytes=GIB,
    doing="rewriting",
    rate_bytes_per_s=50_000_000.0,
    left_s=7200.0,
)
HERE = DriveHere(SEAT, Doing.VISITING, K07, EVIDENCE, NOON)


def text(status: Status) -> str:
    """Return a status as it is told."""
    return "\n".join(status_lines(status))


def test_a_visit_is_told_with_how_far_it_is_and_how_long_it_takes() -> None:
    """Whoever looks sees whether it is worth waiting."""
    said = text(Status(at=NOON, bays=2, here=(HERE,), visits=(VISIT,)))

    assert "/dev/sdb: K07, being visited" in said
    assert "refresh pass, asked for by vera, begun 2031-03-14 12:00 UTC" in said
    assert "rewriting: 268 MB, 25.0 % of the drive, 50 MB/s, 2 hours left" in said


def test_findings_that_wait_are_told_with_where_to_read_of_them() -> None:
    """The notice of them may be long ago; who looks at the state of things must not miss them."""
    waiting = Status(at=NOON, bays=1, open_findings=1)

    assert "To be decided about: 1 finding; `refreshd findings` says" in text(waiting)
    assert status_object(waiting)["open_findings"] == 1
    assert "decided" not in text(Status(at=NOON, bays=1))


def test_a_drive_that_hangs_is_told_with_its_place_and_what_to_look_at() -> None:
    """The place on the drive is what an expert asks for first."""
    hanging = VisitUnderWay(
        seat=SEAT,
        drive=K07,
        kind=PassKind.FIXITY,
        is_closing=False,
        asked_by="",
        begun_at=NOON,
        silent_s=660.0,
        hangs_at_byte=4096,
    )
    said = text(Status(at=NOON, bays=1, here=(HERE,), visits=(hanging,)))

    assert "IT HANGS: no answer for 11 minutes at byte 4096" in said


@pytest.mark.parametrize(
    ("status", "sentence"),
    [
        (Status(at=NOON, bays=1), "No drive is plugged in (1 bay)."),
        (Status(at=NOON, bays=1, clock_alarm="the clock is behind"), "ALARM: the clock is behind."),
        (Status(at=NOON, bays=1, record_alarm="ENOSPC"), "ALARM: ENOSPC."),
        (Status(at=NOON, bays=1, quiet_until=NOON), "no pass runs until 12:00"),
        (Status(at=NOON, bays=1, is_on_battery=True), "The server runs on battery."),
        (Status(at=NOON, bays=1, backlog="3 drives wait"), "3 drives wait"),
        (
            Status(at=NOON, bays=1, pause=Pause("vera", NOON)),
            "Paused by vera since 2031-03-14 12:00 UTC, until somebody says `refreshd resume`.",
        ),
    ],
    ids=["nothing", "clock", "record", "quiet", "battery", "backlog", "pause"],
)
def test_what_keeps_passes_from_running_is_said(status: Status, sentence: str) -> None:
    """Nobody has to guess why nothing happens."""
    assert sentence in text(status)


def test_the_next_visit_is_named() -> None:
    """An empty bay is no forgotten shelf."""
    visit = PlannedVisit(
        drive=K07,
        errand=Errand.FIXITY,
        on=date(2031, 6, 1),
        due_on=date(2031, 7, 1),
        grace_ends_on=date(2031, 10, 1),
        reason="It is due.",
        expected_s=None,
    )

    assert "Next to be asked for: K07 (fixity), on 2031-06-01." in text(
        Status(at=NOON, bays=1, planned=(visit,))
    )


def test_the_object_of_a_status_says_whether_all_is_well() -> None:
    """A script that watches needs one key."""
    well = status_object(Status(at=NOON, bays=1, here=(HERE,), visits=(VISIT,)))
    ill = status_object(Status(at=NOON, bays=1, clock_alarm="behind"))

    assert (well["is_well"], ill["is_well"]) == (True, False)
    assert well["visits"][0]["seconds_left"] == 7200.0  # type: ignore[index] # a list of objects


def ended(outcome: Outcome, findings: int = 0) -> VisitEnded:
    """Return the end of a pass."""
    return VisitEnded(
        drive=K07, pass_kind=PassKind.FIXITY, outcome=outcome, is_complete=True, findings=findings
    )


ERROR = told(DriveError("it does not answer"))


@pytest.mark.parametrize(
    ("message", "sentence"),
    [
        (Identified(drive=K07, evidence=EVIDENCE, presence=Presence()), "was recognised"),
        (Identified(drive=None, evidence=EVIDENCE, presence=Presence()), "is left alone"),
        (IdentityUnclear(error=ERROR), "cannot be told apart: it does not answer"),
        (Moved(done_bytes=1, of_bytes=4, doing="reading"), "reading, 25.0 % of the drive"),
        (Said(sentence="About a day."), "About a day."),
        (ended(Outcome.SUCCESS), "the fixity pass ended well"),
        (ended(Outcome.WARNING), "with something to note"),
        (ended(Outcome.FAIL, 2), "ended with 2 findings"),
        (Released(how="spun down"), "may be unplugged (spun down)"),
        (ReleaseFailed(error=ERROR), "is NOT to be unplugged yet: it does not answer"),
        (WorkerEnded(exit_code=-9, last_words="killed"), "exit code -9 killed"),
        (WorkerEnded(exit_code=-9, is_left=True), "hangs in the kernel"),
    ],
)
def test_each_message_is_told_in_one_line_with_its_place(
    message: AnyMessage, sentence: str
) -> None:
    """`status --follow` is read while it runs."""
    line = heard_line(Heard(node="/dev/sdb", drive=K07, message=message))

    assert line is not None
    assert line.startswith("/dev/sdb")
    assert sentence in line


@pytest.mark.parametrize("code", [0, 1, 4])
def test_a_worker_that_said_why_it_ended_is_not_told_of_again(code: int) -> None:
    """The line before said it better."""
    message = WorkerEnded(exit_code=code)

    assert heard_line(Heard(node="/dev/sdb", drive=K07, message=message)) is None


def test_a_drive_to_mind_is_told_with_the_day_of_its_word() -> None:
    """A sentence of that day says "earlier that day", and may stand there for months."""
    line = EvidenceLine(None, Verdict.WATCH, "It said so earlier that day.")
    told = HealthState(Verdict.WATCH, date(2031, 3, 1), (line,), judged_on=date(2031, 1, 2))
    status = Status(at=NOON, bays=1, to_mind=(DriveToMind(K07, told),))

    assert "Health of K07: watch (by its word of 2031-01-02); It said so earlier" in text(status)


def test_what_was_asked_for_is_said_back() -> None:
    """With what happens to the work under way."""
    busy = Status(at=NOON, bays=1, visits=(VISIT,), pause=Pause("vera", NOON, NOON))
    quiet = Status(at=NOON, bays=1, quiet_until=NOON)

    assert paused_line(busy) == (
        "No pass runs until 2031-03-14 12:00 UTC. The work on K07 rests after the segment under "
        "way."
    )
    assert "after the quiet hours" in resumed_line(quiet)
    assert "finishes its segment" in stopping_line(busy, "K07")
    assert stopping_line(quiet, "K07") == "The pass over K07 has stopped."
