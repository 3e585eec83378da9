"""A proving from the step in which it stands to its certificate."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial
from types import MappingProxyType

from refreshd.errors import (
    DriveError,
    DriveFailingError,
    DriveHungError,
    FlushFailedError,
    RefreshdError,
)
from refreshd.events import DriveProved, Entry
from refreshd.health_cards import SelfTestKind
from refreshd.passes.proving.asking import read_after, read_before, verdict_of
from refreshd.passes.proving.capacity import check_capacity, look_at_capacity
from refreshd.passes.proving.rates import judged
from refreshd.passes.proving.reading import read_all
from refreshd.passes.proving.self_testing import run_self_test
from refreshd.passes.proving.work import Work, worst
from refreshd.passes.proving.writing import write_all
from refreshd.passes.watch import thinned
from refreshd.proving_cards import Certificate, Proving, ProvingPlan, ProvingStep, StepResult
from refreshd.quantities import Outcome

Act = Callable[[Work], StepResult]

SAMPLES_MOST = 512
"""On a certificate, of all runs together."""

_TESTS: Mapping[ProvingStep, SelfTestKind] = MappingProxyType(
    {
        ProvingStep.SHORT_TEST: SelfTestKind.SHORT,
        ProvingStep.EXTENDED_TEST: SelfTestKind.EXTENDED,
    }
)


def steps_of(plan: ProvingPlan) -> tuple[ProvingStep, ...]:
    """Return the steps of a plan, in their order; the identity is settled before there is one."""
    left_out = {ProvingStep.IDENTITY}
    if not plan.is_writing:
        left_out.add(ProvingStep.WRITE)
    left_out |= {step for step, kind in _TESTS.items() if kind not in plan.self_tests}
    return tuple(step for step in ProvingStep if step not in left_out)


def act_of(step: ProvingStep, plan: ProvingPlan) -> Act:
    """Return what is done in a step."""
    acts: dict[ProvingStep, Act] = {
        ProvingStep.HEALTH_BEFORE: read_before,
        ProvingStep.CAPACITY: check_capacity if plan.is_writing else look_at_capacity,
        ProvingStep.WRITE: write_all,
        ProvingStep.READ: read_all,
        ProvingStep.HEALTH_AFTER: read_after,
    }
    if step in _TESTS:
        return partial(run_self_test, kind=_TESTS[step])
    return acts[step]


def run_proving(work: Work) -> Entry:
    """
    Run a proving to its end, and return the entry of its certificate.

    Raises:
        RefreshdError: The world got in the way, or somebody asked for a stop. How far it came
            is written down, and it goes on from there when it is run again.

    """
    try:
        while (step := work.proving.step) is not ProvingStep.HEALTH_AFTER:
            result = _acted(work, step)
            work.checkpoint(_next(work.proving, result), results=(result,))
            _tell(work, result)
        return _end(work)
    except DriveHungError as err:
        work.metered.abandon()  # closing would flush, and hang with the drive
        work.interrupted(err)
        raise
    except RefreshdError as err:
        with suppress(DriveError):  # the first error is the one to tell
            work.metered.close_for_writing()
        work.interrupted(err)
        raise


def _acted(work: Work, step: ProvingStep) -> StepResult:
    """Do one step; what says that the drive is bad is a result, not an interruption."""
    try:
        return act_of(step, work.plan)(work)
    except DriveFailingError:
        said = "In the middle of this step the drive said that it is failing."
        return StepResult(step, Outcome.FAIL, (said,))
    except FlushFailedError as err:
        # Never asked again: the kernel forgets the error, and what was written stays lost.
        said = f"{err}. If the cable or the dock may be the cause, prove it again in another one."
        return StepResult(step, Outcome.FAIL, (said,))
    finally:
        work.metered.hears = None


def _next(proving: Proving, result: StepResult) -> ProvingStep:
    """Return the step that follows; one that failed is followed by the last one (P6)."""
    if result.outcome is Outcome.FAIL:
        return ProvingStep.HEALTH_AFTER
    steps = steps_of(proving.plan)
    return steps[steps.index(result.step) + 1]


def _tell(work: Work, result: StepResult) -> None:
    for sentence in result.sentences:
        work.say(f"{result.step.capitalize()}: {sentence}")


def _end(work: Work) -> Entry:
    """Ask how the drive is, and write the certificate down."""
    result = read_after(work)
    _tell(work, result)
    proving = work.proving
    results = (*proving.results, result)
    samples = (*proving.samples, *work.new_samples())
    certificate = Certificate(
        id=proving.id,
        evidence=proving.evidence,
        plan=proving.plan,
        begun_at=proving.begun_at,
        ended_at=work.bench.clock.now(),
        outcome=worst(results),
        results=results,
        verdict=verdict_of(work),
        health_before=proving.health_before,
        health_after=work.health_after,
        rates=judged(proving.rates),
        samples=thinned(samples, SAMPLES_MOST),
        heat_pauses=proving.heat_pauses,
    )
    return work.bench.ledger.record(
        DriveProved(
            proving_id=proving.id,
            outcome=certificate.outcome,
            certificate=certificate,
            pages_after=work.pages_after,
        )
    )
