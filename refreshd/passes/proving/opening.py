"""Begin a proving or take one up again, and say what is to be expected."""

from __future__ import annotations

from collections.abc import Iterable

from refreshd.errors import DriveHeldError
from refreshd.events import ProvingBegun, ProvingGivenUp
from refreshd.expectation import TYPICAL_BYTES_PER_S
from refreshd.health_cards import SelfTestKind
from refreshd.passes.bench import Bench, PassOptions
from refreshd.passes.proving.beginning import (
    Found,
    Making,
    Standing,
    how_to_erase,
    identity_of,
    plan_for,
    standing_of,
    unfinished_of,
)
from refreshd.passes.proving.pattern import Pattern, Use
from refreshd.passes.proving.running import steps_of
from refreshd.passes.proving.work import (
    NOT_SURELY_HERE,
    TAKEN_UP_BY_HAND,
    Work,
    is_stopped_by_hand,
    work_on,
)
from refreshd.ports import ProvingWish
from refreshd.proving_cards import Proving, ProvingPlan, ProvingStep, StepResult
from refreshd.quantities import MediumKind, Outcome
from refreshd.words import MINUTE_S, about_words, medium_words, rate_words, size_words


def open_proving(
    bench: Bench, options: PassOptions, found: Found, wish: ProvingWish, making: Making
) -> Work:
    """
    Take up the unfinished proving of a drive, or begin one, and write that down.

    Raises:
        RefusedError, UsageError: See `beginning.plan_for` and `beginning.standing_of`.

    """
    unfinished = unfinished_of(found, bench.ledger.unfinished_provings())
    if unfinished is not None:
        standing = standing_of(unfinished, found, wish)
        if standing is Standing.GOES_ON:
            return _taken_up(bench, options, unfinished, found)
    plan = plan_for(found, wish, making)  # before anything is given up for it
    if unfinished is not None:
        bench.ledger.record(ProvingGivenUp(proving_id=unfinished.id, why=f"{standing}"))
        bench.attendant.said(f"Proving {unfinished.id} is given up: {standing}.")
    return _begun(bench, options, found, plan)


def _taken_up(bench: Bench, options: PassOptions, proving: Proving, found: Found) -> Work:
    work = work_on(bench, options, proving, found.presence)
    is_same_stay = proving.presence.is_same_stay(found.presence)
    step = proving.step
    results: tuple[StepResult, ...] = ()
    if step is ProvingStep.IDENTITY:  # killed between its first two records
        step, results = steps_of(proving.plan)[0], identity_of(found)
    else:
        if is_stopped_by_hand(proving):
            results += (StepResult(step, Outcome.SUCCESS, (TAKEN_UP_BY_HAND,)),)
        if not is_same_stay:
            results += (StepResult(step, Outcome.SUCCESS, (NOT_SURELY_HERE,)),)
    work.checkpoint(step, proving.next_byte, results=results, note="taken up again")
    proving = work.proving
    at = f" at byte {proving.next_byte}" if proving.step in _BY_BYTES else ""
    work.say(f"Proving {proving.id} is taken up again: {proving.step}{at}.")
    return work


_BY_BYTES = {ProvingStep.WRITE, ProvingStep.READ}


def known_patterns(provings: Iterable[Proving], size_bytes: int) -> tuple[Pattern, ...]:
    """Return what the unfinished provings of drives of this size write."""
    return tuple(
        Pattern(one.plan.seed, use, one.plan.chunk_bytes)
        for one in provings
        if one.plan.is_writing and one.evidence.size_bytes == size_bytes
        for use in Use
    )


def _begun(bench: Bench, options: PassOptions, found: Found, plan: ProvingPlan) -> Work:
    proving_id = bench.ledger.next_proving_id()
    bench.ledger.record(
        ProvingBegun(
            proving_id=proving_id, evidence=found.evidence, presence=found.presence, plan=plan
        )
    )
    begun = [one for one in bench.ledger.unfinished_provings() if one.id == proving_id]
    work = work_on(bench, options, begun[0], found.presence)
    results = identity_of(found)
    work.checkpoint(steps_of(plan)[0], results=results)
    work.say(f"Proving {proving_id} of {found.place} begins.")
    for result in results:
        for sentence in result.sentences:
            work.say(f"{result.step.capitalize()}: {sentence}")
    if found.look.has_content:
        work.say(f"It carries content: {found.look.content_words()}.")
        work.say(_what_becomes_of_content(found, plan))
    return work


def _what_becomes_of_content(found: Found, plan: ProvingPlan) -> str:
    if plan.is_writing:
        return "As was said twice, all of it is written over."
    return (
        "It is only read, so that writing is not tested. If what it carries may be lost for good, "
        f"begin again with --anew {how_to_erase(found)}"
    )


def say_expectation(work: Work, kind: MediumKind) -> None:
    """Say how long the proving will take, and what that rests on."""
    size = work.grid.size_bytes
    limit = work.options.rate_bytes_per_s_max
    rate = TYPICAL_BYTES_PER_S[kind]
    basis = f"typical of {medium_words(kind)}s"
    if limit is not None and limit < rate:
        rate, basis = limit, "the rate limit of the policy"
    proving, to_move = work.proving, 0
    done = proving.next_byte
    if work.plan.is_writing and not _is_past(proving.step, ProvingStep.WRITE):
        to_move += size - (done if proving.step is ProvingStep.WRITE else 0)
    if not _is_past(proving.step, ProvingStep.READ):
        to_move += size - (done if proving.step is ProvingStep.READ else 0)
    takes = f"at {rate_words(rate)} ({basis}) that takes {about_words(to_move / rate)}"
    said = [f"About {size_words(to_move)} go over the drive; {takes}."]
    if SelfTestKind.EXTENDED in work.plan.self_tests and work.examiner is not None:
        minutes = work.examiner.self_test_minutes(SelfTestKind.EXTENDED)
        if minutes is not None:
            said.append(
                "Its extended self-test comes on top of that; the drive says that it takes "
                f"{about_words(minutes * MINUTE_S)}."
            )
    work.say(" ".join(said))


def _is_past(now: ProvingStep, step: ProvingStep) -> bool:
    steps = list(ProvingStep)
    return steps.index(now) > steps.index(step)


def refuse_in_care(number: str, title: str) -> DriveHeldError:
    """Return the refusal of a drive that holds what somebody keeps."""
    return DriveHeldError(
        f"this is {number} ({title}), which is in care: a proving may write over all of a drive, "
        f"so none begins on it. `refreshd fixity {number}` reads all of it and compares"
    )
