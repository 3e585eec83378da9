"""The board on which notices are posted, with a lane of its own for each way out.

1. Nobody waits: what is posted is kept in memory, and a thread of each lane hands it over.
2. Nothing fails: what a channel does not take is tried again after growing pauses, for ever.
3. A channel that fails or hangs keeps no other from being served.
4. What a channel took of a slip is told to `tell`, for the record. What was not taken is not in
   the record; so after a restart the same notices are posted again, and the board hands each
   channel what it has not taken yet (`taken`), and nothing else.
5. What a newer notice says of the same slips makes an older one that still waits needless.
6. That a channel fails is told once, until it takes something again.

`tell` is called by the threads of the lanes. Only the daemon's own thread may write the ledger, so
it has to carry the event over there, as `loop.call_soon_threadsafe` does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Condition, Thread
from typing import Generic, TypeVar

from refreshd.cards import Delivery, Slip
from refreshd.errors import NotDeliveredError, RefreshdError
from refreshd.events import ChannelFailed, NoticeDelivered
from refreshd.ports import Clock, Notice, Urgency
from refreshd.quantities import SlipNumber

FIRST_PAUSE_S = 60.0
LONGEST_PAUSE_S = 4 * 3600.0
"""A mail server that is away for a night is asked some ten times; common practice, no source."""

WAITING_MAX = 100
"""So many notices that are about no slip wait for one channel; then the oldest goes."""

WHY_CHARACTERS_MAX = 300

PAGE = "page"
TO_THE_TOP = ": escalation"
Stages = tuple[tuple[SlipNumber, str], ...]
Pages = Mapping[str, str]
Told = NoticeDelivered | ChannelFailed
Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Way:
    """One way out: its name in the record, what it gets, and how a notice is handed over.

    `take` may last minutes and raises NotDeliveredError.
    """

    name: str
    gets: frozenset[Urgency]
    take: Callable[[Notice], None]


@dataclass(slots=True)
class _Waiting(Generic[Item]):
    """Something that waits to be handed over, and the slips that it is about."""

    item: Item
    stages: Stages

    @property
    def slips(self) -> frozenset[SlipNumber]:
        """The slips without their stages."""
        return frozenset(slip for slip, _ in self.stages)


@dataclass(slots=True)
class Lane(Generic[Item]):
    """What waits for one channel, oldest first, and when it is tried. Knows no threads.

    `newest_only`: a newer item makes all older ones needless, as with a page.
    """

    name: str
    take: Callable[[Item], None]
    taken: set[tuple[SlipNumber, str]] = field(default_factory=set)
    newest_only: bool = False
    waiting: list[_Waiting[Item]] = field(default_factory=list)
    failures: int = 0
    tried_s: float | None = None  # when it last failed
    next_try_s: float | None = None  # None: nothing waits

    def put(self, item: Item, stages: Stages, now_s: float) -> None:
        """Let something wait, unless this channel took, or will take, all of it already."""
        known = self.taken | {stage for one in self.waiting for stage in one.stages}
        if stages and known.issuperset(stages):
            return
        added = _Waiting(item, stages)
        self.waiting = [one for one in self.waiting if not self._is_needless(one, added)]
        self.waiting.append(added)
        if sum(not one.stages for one in self.waiting) > WAITING_MAX:
            self._drop_one()
        # Something new is worth a try at once, but a channel that fails is not hammered.
        soonest_s = now_s if self.tried_s is None else max(now_s, self.tried_s + FIRST_PAUSE_S)
        planned_s = soonest_s if self.next_try_s is None else self.next_try_s
        self.next_try_s = min(soonest_s, planned_s)

    def _is_needless(self, old: _Waiting[Item], new: _Waiting[Item]) -> bool:
        return self.newest_only or bool(old.slips and old.slips <= new.slips)

    def _drop_one(self) -> None:
        """Drop the oldest notice that is about no slip: the journal has what it said."""
        self.waiting.remove(next(one for one in self.waiting if not one.stages))

    def next_item(self, now_s: float) -> _Waiting[Item] | None:
        """Return what is to be handed over now; None: nothing waits, or it is too early."""
        if self.next_try_s is None or now_s < self.next_try_s or not self.waiting:
            return None
        return self.waiting[0]

    def took(self, one: _Waiting[Item], now_s: float) -> Told | None:
        """Hear that an item was handed over; return what is to be written down."""
        self.taken.update(one.stages)
        self.waiting = [other for other in self.waiting if other is not one]
        failed_before = self.failures > 0
        self.failures, self.tried_s = 0, None
        self.next_try_s = now_s if self.waiting else None
        if not one.stages and not failed_before:
            return None  # nothing that must be known after a restart
        return NoticeDelivered(channel=self.name, stages=one.stages)

    def failed(self, why: str, now_s: float) -> Told | None:
        """Hear that an item was not taken; return what is to be written down."""
        self.failures += 1
        self.tried_s = now_s
        self.next_try_s = now_s + pause_s(self.failures)
        if self.failures > 1:
            return None
        return ChannelFailed(channel=self.name, why=why[:WHY_CHARACTERS_MAX])


def pause_s(failures: int) -> float:
    """Return how long to wait after so many failures in a row, in seconds: each twice the last."""
    return float(min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2 ** min(failures - 1, 20)))


class _Carrier(Generic[Item]):
    """The thread of one lane. Starts with the first item, so that unused ways cost nothing."""

    def __init__(self, lane: Lane[Item], clock: Clock, tell: Callable[[Told], None]) -> None:
        self.lane = lane
        self._clock = clock
        self._tell = tell
        self._changed = Condition()
        self._is_closed = False
        self._thread: Thread | None = None

    def put(self, item: Item, stages: Stages) -> None:
        """Let something wait. Returns at once."""
        with self._changed:
            self.lane.put(item, stages, self._clock.elapsed_s())
            self._changed.notify()
            if self._thread is None and self.lane.waiting and not self._is_closed:
                # Not waited for at the end of the program: a server that hangs must not hold it.
                self._thread = Thread(target=self._run, name=f"to {self.lane.name}", daemon=True)
                self._thread.start()

    def lead_to(self, take: Callable[[Item], None]) -> None:
        """Hand over another way from now on, and try at once: somebody mended the address."""
        with self._changed:
            self.lane.take = take
            if self.lane.waiting:
                self.lane.next_try_s = self._clock.elapsed_s()
            self._changed.notify()

    def close(self) -> None:
        """Hand nothing over any more; what is under way is not waited for."""
        with self._changed:
            self._is_closed = True
            self._changed.notify()

    def join(self, seconds: float) -> None:
        """Wait for the thread to end after `close`."""
        if self._thread is not None:
            self._thread.join(seconds)

    def _run(self) -> None:
        while one := self._wait():
            told = self._hand_over(one)
            if told is not None and not self._is_closed:
                self._tell(told)

    def _wait(self) -> _Waiting[Item] | None:
        """Wait for something to hand over; None: closed."""
        with self._changed:
            while not self._is_closed:
                now_s = self._clock.elapsed_s()
                if one := self.lane.next_item(now_s):
                    return one
                next_s = self.lane.next_try_s
                self._changed.wait(None if next_s is None else max(0.0, next_s - now_s))
            return None

    def _hand_over(self, one: _Waiting[Item]) -> Told | None:
        try:
            self.lane.take(one.item)
        except NotDeliveredError as err:
            why = str(err)
        except Exception as err:  # noqa: BLE001 - a fault of ours must not end the lane: slips wait in it.
            why = f"a fault of refreshd: {type(err).__name__}"
        else:
            with self._changed:
                return self.lane.took(one, self._clock.elapsed_s())
        with self._changed:
            return self.lane.failed(why, self._clock.elapsed_s())


class NoticeOutbox:
    """Hands notices to every way out that gets their kind; implements ports.NoticeBoard.

    Args:
        clock: Only its time that never jumps is used.
        tell: Hears what is to be written down, on the thread of a lane.
        taken: What each channel took already, as `Catalogue.deliveries` has it.
        pages_of: Makes the pages of the open slips, by file name, on the caller's thread.
    """

    def __init__(
        self,
        clock: Clock,
        tell: Callable[[Told], None],
        taken: Iterable[Delivery] = (),
        pages_of: Callable[[Sequence[Slip]], Pages] | None = None,
    ) -> None:
        self._clock = clock
        self._tell = tell
        self._taken = frozenset(taken)
        self._pages_of = pages_of
        self._ways: tuple[Way, ...] = ()
        self._lanes: dict[str, _Carrier[Notice]] = {}
        self._page: _Carrier[Pages] | None = None
        self._shown: Pages | None = None

    def use(self, ways: Sequence[Way], page: Callable[[Pages], None] | None = None) -> None:
        """Lead notices to these ways from now on, as after a change of the policy.

        What waits for a way that stays, by its name, goes on waiting for it.
        """
        self._ways = tuple(ways)
        for name in self._lanes.keys() - {way.name for way in ways}:
            self._lanes.pop(name).close()
        for way in ways:
            if way.name in self._lanes:
                self._lanes[way.name].lead_to(way.take)
            else:
                self._lanes[way.name] = self._carrier(way)
        self._use_page(page)

    def _carrier(self, way: Way) -> _Carrier[Notice]:
        taken = {(one.slip, one.stage) for one in self._taken if one.channel == way.name}
        return _Carrier(Lane(way.name, way.take, taken), self._clock, self._heard)

    def _use_page(self, page: Callable[[Pages], None] | None) -> None:
        if self._page is not None:
            self._page.close()
            self._page = None
        if page is not None:
            lane: Lane[Pages] = Lane(PAGE, page, newest_only=True)
            self._page = _Carrier(lane, self._clock, self._heard)
            if self._shown is not None:
                self._page.put(self._shown, ())

    def post(self, notice: Notice) -> None:
        """Hand a notice to every channel that gets its kind."""
        for way in receivers(self._ways, notice.urgency):
            self._lanes[way.name].put(notice, _stages_of(notice))

    def show_slips(self, slips: Sequence[Slip]) -> None:
        """Bring the page with the open slips up to date."""
        if self._pages_of is None:
            return
        try:
            self._shown = self._pages_of(slips)
        except RefreshdError as err:  # The catalogue; whoever asked has met the same already.
            self._heard(ChannelFailed(channel=PAGE, why=str(err)[:WHY_CHARACTERS_MAX]))
            return
        if self._page is not None:
            self._page.put(self._shown, ())

    def close(self, seconds: float) -> None:
        """Hand nothing over any more; wait so long, at most, for all threads to end."""
        for carrier in self._lanes.values():
            carrier.close()
        self._use_page(None)
        end_s = self._clock.elapsed_s() + seconds
        for carrier in self._lanes.values():
            carrier.join(max(0.0, end_s - self._clock.elapsed_s()))

    def _heard(self, told: Told) -> None:
        """Pass on what is to be written down; that a channel fails, the others must know."""
        self._tell(told)
        if isinstance(told, ChannelFailed):
            notice = channel_failed(told)
            for way in receivers(self._ways, notice.urgency):
                if way.name != told.channel and (lane := self._lanes.get(way.name)):
                    lane.put(notice, ())


def _stages_of(notice: Notice) -> Stages:
    """Return what is written down of a notice: that a slip escalated is another thing to hear.

    A channel that gets both would else be told only of one more reminder.
    """
    if notice.urgency is not Urgency.ESCALATIONS:
        return notice.stages
    return tuple((slip, f"{stage}{TO_THE_TOP}") for slip, stage in notice.stages)


def channel_failed(told: ChannelFailed) -> Notice:
    """Return what the other channels are told when one fails."""
    return Notice(
        Urgency.ALARMS,
        f"{told.channel} takes no notices",
        f"{told.why}.\nIt is tried again, at first after a minute and then ever more rarely; what "
        "waits for it is kept. The address stands in the policy, table "
        f"[notices.channel.{told.channel}].",
    )


def receivers(ways: Sequence[Way], urgency: Urgency) -> tuple[Way, ...]:
    """Return who gets a notice; escalations that no channel gets go where the slips go.

    Else a policy that names no channel for them would lose the very notice that is there so that
    a drive is not forgotten.
    """
    found = tuple(way for way in ways if urgency in way.gets)
    if not found and urgency is Urgency.ESCALATIONS:
        return receivers(ways, Urgency.SLIPS)
    return found
