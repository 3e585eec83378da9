"""
The watch over a drive while a pass works on it: heat, failing in mid-pass, and the curve of both.

W1  One lane at a time looks, right before a request of its own, every so many seconds. Nobody
    looks while the pass waits for anything else, so that no question keeps an idle drive awake.
W2  While the drive is asked nothing is being written to it, and no write begins before the answer
    is known; after "failing" none begins at all. A refresh asks it for nothing more.
W3  Where the pass has to wait for the drive to cool, every lane waits; only the one that looks
    knows how long. What is under way in other lanes when it finds the drive too hot still ends.
W4  A stop is heard in a rest, too. What was written and is not proved yet waits for the next run,
    as after a power cut.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from threading import Condition

from refreshd.errors import (
    DriveError,
    DriveFailingError,
    DriveGoneError,
    OverheatedError,
    PassStoppedError,
)
from refreshd.health_cards import HeatPause, OwnWord, Vital, WatchSample
from refreshd.passes.bench import Bench
from refreshd.passes.health_gate import directly
from refreshd.passes.heat import (
    Heat,
    HeatState,
    change_words,
    given_up_words,
    heard,
    pause_between,
    resting_words,
)

SAMPLES_MOST = 256
"""Of one run, in the journal: as many points as a picture has columns."""

SAMPLES_KEPT = 8192
"""In memory, before they are thinned out: a day and a half at one in 15 s."""

PAUSES_MOST = 1024
"""Of one run, in the journal, which takes 2,000. A pass that is held to a low rate may rest for
heat every few minutes for weeks; the sentence about all rests counts each of them."""

SLICE_S, SLICE_LEAST_S = 1.0, 0.001
"""How long a stop waits at most in a rest."""

NOT_ASKED = Vital(None)

FAILING = (
    "the drive says that it is failing; nothing more is written to it. What was not proved yet "
    "lies in staging. Read the drive with a fixity pass, copy its content to another drive, and "
    "replace it"
)

Through = Callable[[Callable[[], Vital]], Vital]
"""Asks a question as a request to the drive, so that one that hangs is named."""


class Watch:
    """Looks after one drive in one run of a pass.

    Args:
        bench: Its examiner is asked; without one only rates are noted.
        heat: Where the pass stands at its start; its limits say how often to look.
        is_rewriting: True: a drive that fails ends the run. False: what reads goes on.
        is_known_failing: It said so before the pass, and what reads was begun all the same.

    """

    def __init__(
        self, bench: Bench, heat: Heat, *, is_rewriting: bool, is_known_failing: bool = False
    ) -> None:
        self._bench = bench
        # Asked in the lane that looks. Beside it would be the side lane, which may be this one.
        self._examiner = None if bench.examiner is None else directly(bench.examiner)
        self._heat = heat
        self._is_rewriting = is_rewriting
        self._turn = Condition()
        self._is_looking = False
        self._is_question_out = False
        self._writes = 0  # under way
        self._over: Callable[[], DriveError] | None = None
        self._began_s = bench.clock.elapsed_s()
        self._next_s = 0.0
        self._samples: list[WatchSample] = []
        self._sampled_traffic = 0
        self._pauses: list[HeatPause] = []
        self.rested_s = 0.0  # all rests together, those by the clock included
        self.is_failing = is_known_failing
        self.is_failing_noted = is_known_failing
        self.went_away = False  # at a question
        self.place = (0, 1)  # bytes done, and of how many

    # What each request goes through

    def admit(self, traffic: int, through: Through) -> None:
        """
        Look at the drive if it is time to, and let the lane on once it may.

        Args:
            traffic: Bytes that went over the drive so far.
            through: How a question reaches the drive.

        Raises:
            OverheatedError: It is too hot even at rest.
            DriveFailingError: It says that it is failing, and this is a refresh.
            PassStoppedError: Somebody asked for it in a rest.
            DriveGoneError: It answers no more.

        """
        if self._takes_the_look():
            try:
                self._look(traffic, through)
            finally:
                with self._turn:
                    self._is_looking = False
                    self._turn.notify_all()
        with self._turn:
            while self._is_looking and self._must_wait:
                self._turn.wait()
            if self._over is not None:
                raise self._over()

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Hold a write back while the drive is asked, and refuse it once it failed (W2)."""
        with self._turn:
            while self._is_question_out:
                self._turn.wait()
            self.refuse_writing()
            self._writes += 1
        try:
            yield
        finally:
            with self._turn:
                self._writes -= 1
                self._turn.notify_all()

    def refuse_writing(self) -> None:
        """Raise DriveFailingError once the drive said that it is failing."""
        if self.is_failing:
            raise DriveFailingError(self._named(FAILING))

    @property
    def celsius(self) -> int | None:
        """How warm the drive was when it was last asked, in °C; None: that is not known."""
        return _told_celsius(self._heat)

    # What is written down at the end of the run

    def samples(self) -> tuple[WatchSample, ...]:
        """Return what was seen along the way, thinned out."""
        return thinned(self._samples, SAMPLES_MOST)

    def pauses(self) -> tuple[HeatPause, ...]:
        """Return the rests for heat, the one included that was cut short."""
        heat = self._heat
        if heat.state is not HeatState.RESTING or heat.highest is None:
            return tuple(self._pauses)
        cut_short = HeatPause(int(heat.since_s), int(self._at_s()), heat.highest)
        return (*self._pauses, cut_short)

    # How it looks

    @property
    def _must_wait(self) -> bool:
        return self._over is None and self._heat.is_waiting

    def _at_s(self) -> float:
        return self._bench.clock.elapsed_s() - self._began_s

    def _named(self, sentence: str) -> str:
        return f"{self._bench.medium.place}: {sentence}"

    def _takes_the_look(self) -> bool:
        with self._turn:
            if self._is_looking or self._over is not None or self._at_s() < self._next_s:
                return False
            self._is_looking = True
            return True

    def _look(self, traffic: int, through: Through) -> None:
        self._hear(traffic, self._answer(through))
        while self._must_wait:
            self._wait()
            if self._over is None:
                self._hear(traffic, self._answer(through))

    def _answer(self, through: Through) -> Vital:
        examiner = self._examiner
        if examiner is None or not self._heat.is_asking:
            return NOT_ASKED
        with self._turn:
            self._is_question_out = True
            while self._writes:
                self._turn.wait()
        try:
            vital = through(examiner.vital)
            self.is_failing |= vital.says is OwnWord.FAILING  # before any write may go on
        except DriveGoneError as err:
            self.went_away = True
            self._over = partial(DriveGoneError, str(err))
            raise
        finally:
            with self._turn:
                self._is_question_out = False
                self._turn.notify_all()
        return vital

    def _hear(self, traffic: int, vital: Vital) -> None:
        at_s, before = self._at_s(), self._heat
        after = before if self._examiner is None else heard(before, vital.celsius, at_s)
        self._heat, self._next_s = after, after.next_s(at_s)
        self._sample(at_s, traffic, after)
        pause = pause_between(before, after, at_s)
        if pause is not None:
            self._pauses.append(pause)
        if self.is_failing and self._is_rewriting:
            self._over = partial(DriveFailingError, self._named(FAILING))
        elif after.state is HeatState.GIVEN_UP:
            self._over = partial(OverheatedError, self._named(given_up_words(before, after, at_s)))
        elif sentence := change_words(before, after, at_s):
            self._say(sentence, is_of_rest=HeatState.RESTING in {before.state, after.state})

    def _say(self, sentence: str, *, is_of_rest: bool) -> None:
        """Tell a change; of the rests for heat only the first, which may be one of hundreds."""
        if not is_of_rest:
            self._bench.attendant.said(sentence)
        elif not self._pauses:
            self._bench.attendant.said(f"{sentence} Further rests are shown, and only counted.")
        elif len(self._pauses) == 1 and self._heat.state is HeatState.WORKING:
            self._bench.attendant.said(sentence)

    def _wait(self) -> None:
        """Wait until the next look, or until somebody asks the pass to stop."""
        attendant, clock = self._bench.attendant, self._bench.clock
        attendant.moved(*self.place, resting_words(self._heat))
        while (left_s := self._next_s - self._at_s()) > 0:
            if attendant.wants_stop():
                self._over = partial(
                    PassStoppedError,
                    "stopped as asked, while the drive rested; the pass goes on from its last "
                    "checkpoint when it is run again",
                )
                return
            with self._bench.lanes.resting():
                # Never so short that the sum is rounded off, and no time ever passes.
                clock.sleep(min(SLICE_S, max(SLICE_LEAST_S, left_s)))
            self.rested_s += min(SLICE_S, left_s)

    def _sample(self, at_s: float, traffic: int, heat: Heat) -> None:
        celsius = _told_celsius(heat)
        last = self._samples[-1] if self._samples else None
        passed_s = at_s - (last.at_s if last else 0)
        rate = int((traffic - self._sampled_traffic) / passed_s) if passed_s > 0 else 0
        if last is not None and len(self._samples) == 1:
            self._samples[0] = last._replace(rate_bytes_per_s=rate)  # it had no time to measure
        self._samples.append(WatchSample(int(at_s), self.place[0], rate, celsius))
        self._sampled_traffic = traffic
        if len(self._samples) > SAMPLES_KEPT:
            self._samples = list(thinned(self._samples, SAMPLES_KEPT // 2))


def _told_celsius(heat: Heat) -> int | None:
    return None if heat.missed or heat.is_silent else heat.believed


def thinned(samples: Sequence[WatchSample], most: int) -> tuple[WatchSample, ...]:
    """
    Return at most so many samples: of each stretch the hottest, coolest, fastest and slowest.

    The first and the last are always among them. `most` is at least 6.
    """
    if len(samples) <= most:
        return tuple(samples)
    stretches = (most - 2) // 4
    kept = {0, len(samples) - 1}
    for stretch in range(stretches):
        first = stretch * len(samples) // stretches
        kept |= _extremes(samples, range(first, (stretch + 1) * len(samples) // stretches))
    return tuple(samples[at] for at in sorted(kept))


def longest(pauses: Sequence[HeatPause]) -> tuple[HeatPause, ...]:
    """Return at most `PAUSES_MOST` rests, the longest ones, as they came one after the other."""
    if len(pauses) <= PAUSES_MOST:
        return tuple(pauses)
    by_length = sorted(pauses, key=lambda one: one.begun_s - one.ended_s)
    return tuple(sorted(by_length[:PAUSES_MOST], key=lambda one: one.begun_s))


def _extremes(samples: Sequence[WatchSample], places: range) -> set[int]:
    by_rate = sorted(places, key=lambda at: samples[at].rate_bytes_per_s)
    by_heat = sorted(
        (at for at in places if samples[at].celsius is not None),
        key=lambda at: samples[at].celsius or 0,
    )
    return {*by_rate[:1], *by_rate[-1:], *by_heat[:1], *by_heat[-1:]}
