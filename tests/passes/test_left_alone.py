"""A drive whose bridge drops off the bus when it is asked how it is, is not asked for ever (L1)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import pytest

from refreshd.errors import DriveGoneError
from refreshd.events import HealthRead
from refreshd.health.left_alone import AGAIN_AFTER, NOT_ASKED, WENT_AWAY
from refreshd.health_cards import Moment, RawPages, Vital
from refreshd.passes.bench import PassReport
from refreshd.passes.health_gate import take_reading
from refreshd.simulated.examiner import SimulatedExaminer
from tests.fakes.room import K07, Plan
from tests.fakes.warm import WarmRoom, warm_room

PLAN = Plan(chunks=16, lag=2048)


@dataclass
class DroppingExaminer(SimulatedExaminer):
    """Asks a drive that goes away at some questions. `at`: all pages, or the vital ones."""

    at: str = "read"
    drops: int = 0

    def read(self) -> RawPages:
        """Ask for all pages."""
        self._drop("read")
        return super().read()

    def vital(self) -> Vital:
        """Ask for the temperature."""
        self._drop("vital")
        return super().vital()

    def _drop(self, question: str) -> None:
        if question == self.at:
            self.drops += 1
            raise DriveGoneError("/dev/sdb: the drive is gone")


def dropping(at: str) -> tuple[WarmRoom, DroppingExaminer]:
    """Return a room with such a drive."""
    warm = warm_room(PLAN)
    examiner = DroppingExaminer(celsius=lambda: 30.0, at=at)
    warm.room.examiner = examiner
    return warm, examiner


def tried(warm: WarmRoom) -> PassReport | DriveGoneError:
    """Refresh the drive, which may drop off; plug it in again."""
    try:
        return warm.room.refresh()
    except DriveGoneError as err:
        return err
    finally:
        warm.room.drive.replug()


def silences(warm: WarmRoom) -> list[tuple[Moment, str]]:
    """Return what the record says of readings that gave nothing."""
    events = [one.event for one in warm.room.ledger.entries]
    read = [one for one in events if isinstance(one, HealthRead) and one.reading.silence]
    return [(one.moment, one.reading.silence) for one in read]


def test_a_pass_begins_over_a_drive_that_went_away_twice_when_it_was_asked() -> None:
    """L1: without that it would be asked, and gone, at each visit; it would never be refreshed."""
    warm, examiner = dropping("read")
    assert isinstance(tried(warm), DriveGoneError)
    assert isinstance(tried(warm), DriveGoneError)
    report = tried(warm)

    assert isinstance(report, PassReport)
    assert report.stopped_by is None
    assert examiner.drops == 2
    assert silences(warm) == [
        (Moment.BEFORE, WENT_AWAY),
        (Moment.BEFORE, WENT_AWAY),
        (Moment.BEFORE, NOT_ASKED),
    ]


def test_a_drive_that_goes_away_at_the_questions_of_a_pass_is_let_work() -> None:
    """L1: each run would come no further than to the next question."""
    warm, examiner = dropping("vital")
    reports = [tried(warm) for _ in range(3)]

    stops = [one.stopped_by for one in reports if isinstance(one, PassReport)]
    assert [type(one) for one in stops] == [DriveGoneError, DriveGoneError, type(None)]
    assert examiner.drops == 2
    assert silences(warm) == [(Moment.DURING, WENT_AWAY)] * 2
    assert "not asked how hot it is, nor whether it fails" in " ".join(
        warm.room.attendant.sentences
    )


def test_one_that_went_away_once_is_asked_again() -> None:
    """L1: somebody may have pulled it out at that moment."""
    warm, examiner = dropping("read")
    tried(warm)
    examiner.at = ""
    report = tried(warm)

    assert isinstance(report, PassReport)
    assert silences(warm) == [(Moment.BEFORE, WENT_AWAY)]


def test_it_is_asked_again_after_a_year() -> None:
    """L1: it may stand in another dock by then."""
    warm, examiner = dropping("read")
    tried(warm)
    tried(warm)
    warm.room.clock.sleep((AGAIN_AFTER + timedelta(days=1)).total_seconds())
    tried(warm)

    assert examiner.drops == 3


@pytest.mark.parametrize("times", [1, 2, 3])
def test_whoever_asks_by_hand_is_not_refused(times: int) -> None:
    """L2: and each answer, or none, is written down."""
    warm, examiner = dropping("read")
    room = warm.room
    for _ in range(times):
        with pytest.raises(DriveGoneError):
            take_reading(room.ledger, room.clock, K07, examiner, Moment.BETWEEN)

    assert examiner.drops == times
    assert silences(warm) == [(Moment.BETWEEN, WENT_AWAY)] * times
