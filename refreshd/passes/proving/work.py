"""What the steps of a proving share: the drive, the record of it, and who is told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TypeVar

from refreshd.cards import Presence
from refreshd.errors import PassStoppedError, RecordFailedError, RefreshdError, require
from refreshd.events import ProvingCheckpoint
from refreshd.health_cards import HealthReading, PageName, WatchSample
from refreshd.passes.bench import Bench, PassOptions
from refreshd.passes.health_gate import AsideExaminer
from refreshd.passes.heat import begun
from refreshd.passes.metered import MeteredMedium, Pacer, Request
from refreshd.passes.proving.pattern import Pattern, Use
from refreshd.passes.reading import ChunkReader, Elsewhere
from refreshd.passes.watch import Watch
from refreshd.ports import Examiner
from refreshd.proving_cards import Proving, ProvingPlan, ProvingStep, RatePlace, StepResult
from refreshd.quantities import GIB, ChunkGrid, Outcome, ProvingId, Span

CHECKPOINT_BYTES = 4 * GIB
CHECKPOINTS_MOST = 256
"""In one step, so that the journal of a large drive stays small; on 20 TB one in six minutes."""

FAULTS_MOST = 64
"""When so many places are wrong the step ends: there is nothing left to find out."""

NOT_SURELY_HERE = (
    "The proving was interrupted, and nothing proves that the drive was not elsewhere meanwhile."
)

STOPPED_BY_HAND = "It was stopped by hand."
TAKEN_UP_BY_HAND = "It was taken up again by hand."

WENT_AWAY = "It went away when it was asked how it is."

LEFT_ALONE = (
    "It is not asked how it is, since it went away each time: its dock or case may stand no such "
    "question. Nothing watches over its temperature, either."
)

DROPS_MOST = 2
"""Once may be chance; a drive that goes away at each question would never come to its end."""

R = TypeVar("R")


class TimedMedium(MeteredMedium):
    """The one door to the medium, with a stopwatch: who wants to hears how long a reading took."""

    hears: Callable[[Span, float], None] | None = None
    _clock_s: Callable[[], float]

    @classmethod
    def over(cls, bench: Bench, watch: Watch, options: PassOptions) -> TimedMedium:
        """Return the door to the medium of a bench."""
        pacer = Pacer(bench.clock, bench.lanes, options.rate_bytes_per_s_max)
        made = cls(bench.medium, pacer, watch, options.readback_lag_bytes)
        made._clock_s = bench.clock.elapsed_s
        return made

    def _ask(self, request: Request, act: Callable[[], R]) -> R:
        began_s = self._clock_s()
        answer = super()._ask(request, act)
        if self.hears is not None and request.span is not None:
            self.hears(request.span, self._clock_s() - began_s)
        return answer


@dataclass
class Work:
    """One run of one proving."""

    bench: Bench
    options: PassOptions
    id: ProvingId
    plan: ProvingPlan
    watch: Watch
    metered: TimedMedium
    presence: Presence
    examiner: Examiner | None
    pages_before: dict[PageName, bytes] = field(default_factory=dict)
    pages_after: dict[PageName, bytes] = field(default_factory=dict)
    health_after: HealthReading | None = None
    checkpoint_bytes: int = CHECKPOINT_BYTES
    went_away: bool = False  # at a question of a step
    _first: HealthReading | None = None
    _sampled_s: int = -1
    _pauses_told: int = 0

    @property
    def proving(self) -> Proving:
        """What the record says of this proving now."""
        found = [one for one in self.bench.ledger.unfinished_provings() if one.id == self.id]
        require(len(found) == 1, f"{self.id} is under way")
        return found[0]

    @property
    def grid(self) -> ChunkGrid:
        """The drive in chunks."""
        return ChunkGrid(self.metered.geometry.size_bytes, self.plan.chunk_bytes)

    def pattern(self, use: Use) -> Pattern:
        """Return what this proving writes."""
        return Pattern(self.plan.seed, use, self.plan.chunk_bytes)

    def reader(self) -> ChunkReader:
        """Return what reads chunks."""
        return ChunkReader(self.metered, self.grid, self.bench.lanes)

    def elsewhere(self) -> Elsewhere:
        """Return what outlasts the drive's cache."""
        return Elsewhere(self.metered, self.grid, self.bench.lanes)

    def say(self, sentence: str) -> None:
        """Tell whoever watches."""
        self.bench.attendant.said(sentence)

    def moved(self, done: int, doing: str) -> None:
        """Tell how far a step is."""
        size = self.metered.geometry.size_bytes
        self.watch.place = (done, size)
        self.bench.attendant.moved(done, size, doing)

    def wants_stop(self) -> bool:
        """Say whether somebody asked for a stop."""
        return self.bench.attendant.wants_stop()

    def stopped(self) -> PassStoppedError:
        """Return the error of a stop that was asked for."""
        return PassStoppedError(
            f"stopped as asked; proving {self.id} goes on from here when it is run again"
        )

    # What is written down

    def checkpoint(
        self,
        step: ProvingStep,
        next_byte: int = 0,
        *,
        results: Sequence[StepResult] = (),
        rates: Sequence[RatePlace] = (),
        note: str = "",
    ) -> None:
        """Write down how far the proving is; before this nothing is done again."""
        self._record(step, next_byte, tuple(results), tuple(rates), note)

    def health_read(self, reading: HealthReading, pages: dict[PageName, bytes]) -> None:
        """Keep the first reading of its health until the checkpoint that ends its step."""
        self._first, self.pages_before = reading, pages

    def new_samples(self) -> tuple[WatchSample, ...]:
        """Return what the watch saw since the last checkpoint."""
        return tuple(one for one in self.watch.samples() if one.at_s > self._sampled_s)

    def interrupted(self, err: RefreshdError) -> None:
        """Write down why the run ends before the proving does, if the record still takes it."""
        if isinstance(err, RecordFailedError):
            return
        proving = self.proving
        results: list[StepResult] = []
        if self.went_away or self.watch.went_away:
            results.append(StepResult(proving.step, Outcome.WARNING, (WENT_AWAY,)))
        with suppress(RefreshdError):
            self.checkpoint(proving.step, proving.next_byte, results=results, note=str(err))

    def _record(
        self,
        step: ProvingStep,
        next_byte: int,
        results: tuple[StepResult, ...],
        rates: tuple[RatePlace, ...],
        note: str,
    ) -> None:
        samples = self.new_samples()
        pauses = self.watch.pauses()
        self.bench.ledger.record(
            ProvingCheckpoint(
                proving_id=self.id,
                outcome=worst(results),
                presence=self.presence,
                step=step,
                next_byte=next_byte,
                results=results,
                health_before=self._first,
                samples=samples,
                heat_pauses=pauses[self._pauses_told :],
                rates=rates,
                pages_before=self.pages_before,
                note=note,
            )
        )
        self._sampled_s = samples[-1].at_s if samples else self._sampled_s
        self._pauses_told = len(pauses)
        self._first, self.pages_before = None, {}


def work_on(bench: Bench, options: PassOptions, proving: Proving, presence: Presence) -> Work:
    """Lay out the work of one run."""
    is_left = is_left_alone(proving)
    heat = begun(options.heat, None, is_silent=is_left)
    watch = Watch(bench, heat, is_rewriting=True)
    metered = TimedMedium.over(bench, watch, options)
    return Work(
        bench=bench,
        options=options,
        id=proving.id,
        plan=proving.plan,
        watch=watch,
        metered=metered,
        presence=presence,
        # The watch asks in the lane that is to move content; a step asks beside this thread.
        examiner=None if bench.examiner is None or is_left else _aside(bench, bench.examiner),
    )


def _aside(bench: Bench, examiner: Examiner) -> Examiner:
    return AsideExaminer(examiner, bench.lanes)


def is_left_alone(proving: Proving) -> bool:
    """Say whether a drive is asked nothing any more, since it goes away at that."""
    return sum(WENT_AWAY in one.sentences for one in proving.results) >= DROPS_MOST


def checkpoint_chunks(grid: ChunkGrid, least_bytes: int = CHECKPOINT_BYTES) -> int:
    """Return after how many chunks there is a checkpoint: so many bytes, or more."""
    most = max(least_bytes, grid.size_bytes // CHECKPOINTS_MOST)
    return max(1, most // grid.chunk_bytes)


def worst(results: Sequence[StepResult]) -> Outcome:
    """Return the worst outcome."""
    order = list(Outcome)
    return max((one.outcome for one in results), key=order.index, default=Outcome.SUCCESS)


def faults_of(proving: Proving, step: ProvingStep) -> int:
    """Return how many faults of a step are written down already (P6)."""
    return sum(
        len(one.sentences)
        for one in proving.results
        if one.step is step and one.outcome is Outcome.FAIL
    )


def is_stopped_by_hand(proving: Proving) -> bool:
    """Say whether the last thing that is known of a proving is that somebody stopped it."""
    return bool(proving.results) and STOPPED_BY_HAND in proving.results[-1].sentences


def was_elsewhere(proving: Proving) -> bool:
    """Say whether the drive may have been elsewhere since the proving began (P5)."""
    return any(NOT_SURELY_HERE in one.sentences for one in proving.results)
