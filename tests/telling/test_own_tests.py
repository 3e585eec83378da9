"""While a drive tests itself no bytes move: its share of that test is told, and no rate."""

from __future__ import annotations

from datetime import UTC, datetime
from io import StringIO

import pytest

from refreshd.cards import Carrier, Evidence
from refreshd.caretaker.progress import Progress
from refreshd.caretaker.status import Doing, DriveHere, Status, VisitUnderWay
from refreshd.health_cards import SelfTest, SelfTestKind
from refreshd.passes.proving.self_testing import HEARD_EVERY_S
from refreshd.ports import Seat
from refreshd.quantities import PassKind
from refreshd.simulated.clock import SimulatedClock
from refreshd.telling.progress import BarTeller, PlainTeller
from refreshd.telling.status import status_lines
from refreshd.words import is_own_test
from tests.fakes.proving_room import ProvingRoom, TestingExaminer
from tests.fakes.room import QuietAttendant

SIZE = 200 * 10**6
DOING = f"{SelfTestKind.EXTENDED} self-test"


class WordlessExaminer(TestingExaminer):
    """Says that its test is under way, and not how far it is."""

    __test__ = False

    def self_test(self) -> SelfTest | None:
        """Leave the share out."""
        said = super().self_test()
        return None if said is None else SelfTest(said.kind, said.outcome)


class TimingAttendant(QuietAttendant):
    """Notes when it heard something."""

    def __init__(self, clock: SimulatedClock) -> None:
        super().__init__()
        self.clock = clock
        self.heard: list[float] = []

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Note it."""
        super().moved(done_bytes, of_bytes, doing)
        if is_own_test(doing):
            self.heard.append(self.clock.elapsed_s())


def test_a_plain_line_tells_the_share_of_the_test_and_neither_bytes_nor_a_rate() -> None:
    """No byte goes over a drive that tests itself (a figure of bytes would claim too much)."""
    out, clock = StringIO(), SimulatedClock()
    teller = PlainTeller(out, clock, lambda: False)

    teller.moved(SIZE, SIZE, "reading and comparing")
    for percent in (0, 0, 10, 10, 10, 90):
        clock.sleep(60)
        teller.moved(SIZE * percent // 100, SIZE, DOING)

    assert out.getvalue().splitlines()[1:] == [
        f"{DOING}: under way",
        f"{DOING}: 10 % of it done, as the drive says",
        f"{DOING}: 90 % of it done, as the drive says",
    ]


def test_no_bar_is_drawn_for_the_test_of_a_drive() -> None:
    """A bar has a rate and a size beside it."""
    out = StringIO()
    teller = BarTeller(out, lambda: False)

    for percent in (0, 10, 10):
        teller.moved(SIZE * percent // 100, SIZE, DOING)
    teller.close()

    assert out.getvalue().splitlines() == [
        f"{DOING}: under way",
        f"{DOING}: 10 % of it done, as the drive says",
    ]


def test_the_service_knows_no_rate_of_the_test_of_a_drive() -> None:
    """What it shows and answers would be made up."""
    progress = Progress()
    for minute in range(10):
        progress.moved(60.0 * minute, SIZE * minute // 10, SIZE, DOING)

    assert progress.rate_bytes_per_s is None
    assert progress.left_s is None


@pytest.mark.parametrize("examiner", [TestingExaminer, WordlessExaminer])
def test_whoever_watches_hears_all_the_time_that_a_test_runs_on(
    examiner: type[TestingExaminer],
) -> None:
    """A worker that says nothing for a minute may be held to hang, and a test takes hours."""
    room = ProvingRoom()
    room.examiner = examiner(clock=room.clock)
    room.attendant = attendant = TimingAttendant(room.clock)
    room.prove()

    long = [
        later - earlier
        for earlier, later in zip(attendant.heard, attendant.heard[1:], strict=False)
        if later - earlier > HEARD_EVERY_S + 5
    ]
    assert len(attendant.heard) > 100
    assert len(long) <= 1  # between the two tests


@pytest.mark.parametrize(
    ("done", "far"), [(0, f"; {DOING}."), (SIZE // 2, f"; {DOING}: 50 % of it.")]
)
def test_the_status_tells_the_share_of_the_test_and_no_share_of_the_drive(
    done: int, far: str
) -> None:
    """Half of a test is not half of the drive."""
    seat, at = Seat("/dev/sdz", 7), datetime(2027, 3, 1, tzinfo=UTC)
    visit = VisitUnderWay(
        seat=seat,
        drive=None,
        kind=PassKind.PROVING,
        is_closing=False,
        asked_by="",
        begun_at=at,
        done_bytes=done,
        of_bytes=SIZE,
        doing=DOING,
    )
    here = DriveHere(seat, Doing.VISITING, None, Evidence(Carrier.BLOCK, SIZE, 512, 4096), at)
    told = " ".join(status_lines(Status(at=at, bays=1, here=(here,), visits=(visit,))))

    assert far in told
    assert "of the drive" not in told
