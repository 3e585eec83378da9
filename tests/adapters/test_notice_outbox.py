"""The board of notices: nothing waits, nothing is lost, no channel holds up another."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from queue import SimpleQueue
from threading import Event

import pytest

from refreshd.adapters.notice_outbox import (
    FIRST_PAUSE_S,
    LONGEST_PAUSE_S,
    WAITING_MAX,
    Lane,
    NoticeOutbox,
    Pages,
    Told,
    Way,
    pause_s,
)
from refreshd.cards import Delivery, Slip
from refreshd.errors import CatalogueError, NotDeliveredError
from refreshd.events import ChannelFailed, NoticeDelivered
from refreshd.ports import Notice, Urgency
from refreshd.quantities import DriveNumber, Errand, SlipNumber
from refreshd.simulated.clock import SimulatedClock

ALL = frozenset(Urgency)
PATIENCE_S = 20.0
"""How long a test waits for a thread before it fails; never waited for when all is well."""

ONE, TWO = SlipNumber(1), SlipNumber(2)


def slips(*stages: tuple[SlipNumber, str], urgency: Urgency = Urgency.SLIPS) -> Notice:
    """Return a notice about slips."""
    return Notice(urgency, "subject", "body", stages)


ALARM = Notice(Urgency.ALARMS, "alarm", "body")


class Channel:
    """A channel that takes what it is given, or fails as often as it is told to."""

    def __init__(self, failures: int = 0) -> None:
        self.failures = failures
        self.got: SimpleQueue[Notice] = SimpleQueue()
        self.tries: SimpleQueue[Notice] = SimpleQueue()

    def take(self, notice: Notice) -> None:
        """Take a notice, or fail."""
        self.tries.put(notice)
        if self.failures:
            self.failures -= 1
            raise NotDeliveredError("the server is away")
        self.got.put(notice)


class Board:
    """An outbox with a clock that stands still, and what it tells."""

    def __init__(
        self,
        taken: tuple[Delivery, ...] = (),
        pages_of: Callable[..., Pages] | None = None,
    ) -> None:
        self.clock = SimulatedClock()
        self.told: SimpleQueue[Told] = SimpleQueue()
        self.outbox = NoticeOutbox(self.clock, self.told.put, taken, pages_of)

    def hears(self) -> Told:
        """Return what it tells next."""
        return self.told.get(timeout=PATIENCE_S)


@contextmanager
def board(*ways: Way, taken: tuple[Delivery, ...] = ()) -> Iterator[Board]:
    """Give a board with these ways out, and close it."""
    made = Board(taken)
    made.outbox.use(ways)
    try:
        yield made
    finally:
        made.outbox.close(PATIENCE_S)


# ── a lane, step by step ──


def lane() -> Lane[Notice]:
    """Return an empty lane."""
    return Lane("mail", lambda _: None)


def waiting_in(found: Lane[Notice]) -> list[Notice]:
    """Return what waits."""
    return [one.item for one in found.waiting]


def test_pauses_grow_up_to_hours_and_no_further() -> None:
    """A server that is away for a night is asked a few times, and none is ever given up."""
    pauses = [pause_s(failures) for failures in range(1, 40)]

    assert pauses[:4] == [60, 120, 240, 480]
    assert max(pauses) == pauses[-1] == pause_s(10**6) == LONGEST_PAUSE_S


def test_what_a_channel_did_not_take_waits_and_is_tried_after_a_pause() -> None:
    """A failure loses nothing; the failure is told once, however long it lasts."""
    mail = lane()
    mail.put(slips((ONE, "issued")), ((ONE, "issued"),), 0)
    now_s, told = 0.0, []
    for _ in range(30):
        assert mail.next_item(now_s) is not None
        told.append(mail.failed("away", now_s))
        assert mail.next_item(now_s) is None
        assert mail.next_try_s is not None
        now_s = mail.next_try_s
    one = mail.next_item(now_s)
    assert one is not None
    taken = mail.took(one, now_s)

    assert told == [ChannelFailed(channel="mail", why="away"), *[None] * 29]
    assert taken == NoticeDelivered(channel="mail", stages=((ONE, "issued"),))
    assert mail.next_try_s is None


def test_a_new_streak_of_failures_is_told_again() -> None:
    """Once a streak, not once for ever; and the end of a streak is told even of an alarm."""
    mail = lane()
    mail.put(ALARM, (), 0)
    first = mail.failed("away", 0)
    one = mail.next_item(FIRST_PAUSE_S)
    assert one is not None
    back = mail.took(one, FIRST_PAUSE_S)
    mail.put(ALARM, (), FIRST_PAUSE_S)
    second = mail.failed("away again", FIRST_PAUSE_S)

    assert first is not None
    assert back == NoticeDelivered(channel="mail", stages=())
    assert second == ChannelFailed(channel="mail", why="away again")


def test_the_same_stage_is_handed_over_only_once() -> None:
    """Posting again, as after a restart, repeats nothing that waits or was taken."""
    mail = lane()
    notice = slips((ONE, "issued"))
    mail.put(notice, notice.stages, 0)
    mail.put(notice, notice.stages, 0)
    one = mail.next_item(0)
    assert one is not None
    mail.took(one, 0)
    mail.put(notice, notice.stages, 0)

    assert waiting_in(mail) == []


def test_a_newer_notice_about_the_same_slips_replaces_one_that_waits() -> None:
    """Nobody is sent for a drive that has come meanwhile."""
    mail = lane()
    issued, both = slips((ONE, "issued")), slips((ONE, "issued"), (TWO, "issued"))
    put_away = slips((ONE, "to put away"))
    for notice in (issued, ALARM, both, put_away):
        mail.put(notice, notice.stages, 0)

    assert waiting_in(mail) == [ALARM, both, put_away]


def test_many_alarms_do_not_fill_the_memory_and_push_out_no_slip() -> None:
    """A channel that is away for years must not end the service; the journal has it all."""
    mail = lane()
    first = slips((ONE, "issued"))
    mail.put(first, first.stages, 0)
    for _ in range(3 * WAITING_MAX):
        mail.put(ALARM, (), 0)

    assert len(mail.waiting) == WAITING_MAX + 1
    assert waiting_in(mail)[0] == first


def test_something_new_is_tried_soon_but_not_at_once_where_a_channel_fails() -> None:
    """An alarm does not wait four hours, and a hundred alarms do not hammer a server."""
    mail = lane()
    mail.put(ALARM, (), 0)
    for now_s in (0, 100, 300, 1000):
        mail.failed("away", now_s)
    mail.put(ALARM, (), 1001)

    assert mail.next_try_s == 1000 + FIRST_PAUSE_S


# ── the board with its threads ──


def test_each_channel_gets_what_the_policy_wants() -> None:
    """Slips to one, alarms to another."""
    mail, head = Channel(), Channel()
    ways = (
        Way("mail", frozenset({Urgency.SLIPS}), mail.take),
        Way("head", frozenset({Urgency.ALARMS}), head.take),
    )
    with board(*ways) as found:
        found.outbox.post(slips((ONE, "issued")))
        found.outbox.post(ALARM)
        told = found.hears()
        alarm = head.got.get(timeout=PATIENCE_S)

        assert told == NoticeDelivered(channel="mail", stages=((ONE, "issued"),))
        assert mail.got.get(timeout=PATIENCE_S) == slips((ONE, "issued"))
        assert alarm == ALARM
        assert mail.got.empty()
        assert head.got.empty()


def test_an_escalation_that_no_channel_gets_goes_where_the_slips_go() -> None:
    """The notice by which a drive is not forgotten must not be the one that nobody gets."""
    mail = Channel()
    escalation = slips((ONE, "issued, reminder 3"), urgency=Urgency.ESCALATIONS)
    with board(Way("mail", frozenset({Urgency.SLIPS}), mail.take)) as found:
        found.outbox.post(escalation)

        assert mail.got.get(timeout=PATIENCE_S) == escalation


def test_an_escalation_is_said_also_where_the_reminder_was_taken() -> None:
    """Both are about the same stage of a slip; a second posting of either repeats nothing."""
    mail, stages = Channel(), ((ONE, "issued, reminder 3, escalated"),)
    taken = (Delivery(ONE, "issued, reminder 3, escalated", "mail"),)
    escalation = slips(*stages, urgency=Urgency.ESCALATIONS)
    with board(Way("mail", ALL, mail.take), taken=taken) as found:
        for _ in range(2):
            found.outbox.post(slips(*stages))
            found.outbox.post(escalation)

        assert found.hears() == NoticeDelivered(
            channel="mail", stages=((ONE, "issued, reminder 3, escalated: escalation"),)
        )
    assert [mail.tries.get_nowait() for _ in range(mail.tries.qsize())] == [escalation]


def test_a_channel_that_hangs_keeps_no_other_from_being_served() -> None:
    """One server that never answers must not silence the rest; nor does posting wait for it."""
    go_on, wall = Event(), Channel()

    def hang(_: Notice) -> None:
        go_on.wait(PATIENCE_S)

    try:
        with board(Way("mail", ALL, hang), Way("wall", ALL, wall.take)) as found:
            found.outbox.post(slips((ONE, "issued")))
            found.outbox.post(slips((TWO, "issued")))

            assert [wall.got.get(timeout=PATIENCE_S).stages for _ in range(2)] == [
                ((ONE, "issued"),),
                ((TWO, "issued"),),
            ]
            go_on.set()
    finally:
        go_on.set()


def test_a_failing_channel_is_told_once_and_to_the_other_channels() -> None:
    """Who still gets notices must hear that others do not."""
    mail, wall = Channel(failures=1), Channel()
    with board(Way("mail", ALL, mail.take), Way("wall", ALL, wall.take)) as found:
        found.outbox.post(slips((ONE, "issued")))
        heard = {type(one): one for one in (found.hears(), found.hears())}
        posted = [wall.got.get(timeout=PATIENCE_S) for _ in range(2)]

        assert heard[ChannelFailed] == ChannelFailed(channel="mail", why="the server is away")
        assert heard[NoticeDelivered].channel == "wall"
        assert {one.subject for one in posted} == {"subject", "mail takes no notices"}


def test_a_channel_that_comes_back_gets_what_waited() -> None:
    """The thread wakes when its pause is over, and what waited is delivered and told."""
    mail = Channel(failures=1)
    with board(Way("mail", ALL, mail.take)) as found:
        found.outbox.post(slips((ONE, "issued")))
        failed = found.hears()
        found.clock.sleep(FIRST_PAUSE_S)
        found.outbox.post(slips((TWO, "issued")))
        taken = {found.hears(), found.hears()}

        assert isinstance(failed, ChannelFailed)
        assert taken == {
            NoticeDelivered(channel="mail", stages=((ONE, "issued"),)),
            NoticeDelivered(channel="mail", stages=((TWO, "issued"),)),
        }


def test_after_a_restart_each_channel_gets_only_what_it_has_not_taken() -> None:
    """What was not delivered is known from the record, and sent again; nothing else is."""
    mail, wall = Channel(), Channel()
    taken = (Delivery(ONE, "issued", "mail"), Delivery(TWO, "issued", "wall"))
    with board(Way("mail", ALL, mail.take), Way("wall", ALL, wall.take), taken=taken) as found:
        for slip in (ONE, TWO):
            found.outbox.post(slips((slip, "issued")))
        told = {found.hears(), found.hears()}

        assert told == {
            NoticeDelivered(channel="mail", stages=((TWO, "issued"),)),
            NoticeDelivered(channel="wall", stages=((ONE, "issued"),)),
        }
        assert mail.tries.qsize() == wall.tries.qsize() == 1


def test_a_fault_of_ours_in_one_channel_does_not_end_its_lane() -> None:
    """An error that nobody foresaw counts as a failure: the slip waits, and is tried again."""
    mail = Channel()

    def stumble(_: Notice) -> None:
        raise ZeroDivisionError

    with board(Way("mail", ALL, stumble)) as found:
        found.outbox.post(slips((ONE, "issued")))
        failed = found.hears()
        found.outbox.use([Way("mail", ALL, mail.take)])

        assert failed == ChannelFailed(channel="mail", why="a fault of refreshd: ZeroDivisionError")
        assert found.hears() == NoticeDelivered(channel="mail", stages=((ONE, "issued"),))


def test_a_changed_policy_carries_over_what_waits() -> None:
    """A mended address is tried at once; a channel that is gone is served no more."""
    broken, mended, gone = Channel(failures=10), Channel(), Channel()
    with board(Way("mail", ALL, broken.take), Way("old", ALL, gone.take)) as found:
        found.outbox.post(slips((ONE, "issued")))
        while not isinstance(found.hears(), ChannelFailed):
            pass
        found.outbox.use([Way("mail", ALL, mended.take)])
        mended.got.get(timeout=PATIENCE_S)
        before = gone.tries.qsize()
        found.outbox.post(ALARM)
        mended.got.get(timeout=PATIENCE_S)

        assert gone.tries.qsize() == before


# ── the page ──


def test_the_page_shows_the_newest_state_only() -> None:
    """A page that could not be written is written as the slips stand now, not as they stood."""
    written: SimpleQueue[Pages] = SimpleQueue()
    failures = [1]

    def write(pages: Pages) -> None:
        if failures.pop() if failures else 0:
            raise NotDeliveredError("no room")
        written.put(pages)

    found = Board(pages_of=lambda slips: {"slips.txt": str(len(slips))})
    found.outbox.use([], write)
    try:
        found.outbox.show_slips([])
        told = found.hears()
        found.clock.sleep(FIRST_PAUSE_S)
        found.outbox.show_slips([slip_stub(), slip_stub()])

        assert told == ChannelFailed(channel="page", why="no room")
        assert written.get(timeout=PATIENCE_S) == {"slips.txt": "2"}
    finally:
        found.outbox.close(PATIENCE_S)


def slip_stub() -> Slip:
    """Return any slip."""
    day = date(2031, 3, 14)
    return Slip(ONE, DriveNumber("K07"), Errand.REFRESH, "It is due.", day, day, day)


def test_showing_slips_does_not_fail_where_the_catalogue_does() -> None:
    """The caretaker goes on; that the page is old is told."""

    def broken(_: object) -> Pages:
        raise CatalogueError("the catalogue is away")

    found = Board(pages_of=broken)
    found.outbox.show_slips([])

    assert found.hears() == ChannelFailed(channel="page", why="the catalogue is away")


def test_nothing_is_done_where_no_page_is_wanted() -> None:
    """Without a page directory, and without anybody who makes pages."""
    found = Board()
    found.outbox.show_slips([])
    found.outbox.post(ALARM)

    assert found.told.empty()


@pytest.mark.parametrize("urgency", list(Urgency))
def test_a_notice_that_nobody_gets_harms_nothing(urgency: Urgency) -> None:
    """A server without any channel still works: there is the command line."""
    with board() as found:
        found.outbox.post(Notice(urgency, "subject", "body"))

        assert found.told.empty()
