"""The tests that a drive runs by itself. While one runs nothing else is asked of the drive.

An extended test takes hours, and goes on in the drive whatever becomes of this program: whoever
takes the proving up again waits for it, and begins it anew only where the drive stopped it.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from refreshd.durations import counted
from refreshd.health_cards import Measure, SelfTest, SelfTestKind, SelfTestOutcome
from refreshd.passes.proving.work import Work, is_left_alone
from refreshd.ports import Examiner
from refreshd.proving_cards import ProvingStep, StepResult
from refreshd.quantities import Outcome
from refreshd.words import DAY_S, MINUTE_S, OWN_TEST, duration_words

STEPS: Mapping[SelfTestKind, ProvingStep] = MappingProxyType(
    {
        SelfTestKind.SHORT: ProvingStep.SHORT_TEST,
        SelfTestKind.EXTENDED: ProvingStep.EXTENDED_TEST,
    }
)

ASK_EVERY_S: Mapping[SelfTestKind, float] = MappingProxyType(
    {SelfTestKind.SHORT: 15.0, SelfTestKind.EXTENDED: 300.0}
)
"""Each question interrupts the test for a moment; a tenth of the short one's two minutes."""

HEARD_EVERY_S = 30.0
"""Between two questions whoever watches hears so often that the test still runs: of a worker that
says nothing for long it is told that its drive hangs."""

SLICE_S = 1.0
"""How long a stop waits at most."""

WITHOUT_WORD_S: Mapping[SelfTestKind, float] = MappingProxyType(
    {SelfTestKind.SHORT: 30.0 * MINUTE_S, SelfTestKind.EXTENDED: 4.0 * DAY_S}
)
"""How long a test may take of a drive that does not say it. The largest disks take two days."""

PATIENCE_TIMES = 3
PATIENCE_S = 30 * MINUTE_S
"""A test may take three times as long as the drive says, and half an hour: the figure holds for
a drive that is left alone (common practice, no source)."""

STARTS_MOST = 3

NOBODY = "there is no drive here that could be asked"

STARTED = 1
"""Stands in the checkpoint of this step for "the test was started"; no byte is meant."""


def run_self_test(work: Work, kind: SelfTestKind) -> StepResult:
    """Let the drive test itself, or wait for the test that an earlier run started."""
    examiner = work.examiner
    if examiner is None:
        is_left = is_left_alone(work.proving)
        why = "it is not asked any more, since it went away at that" if is_left else NOBODY
        return _not_run(kind, why)
    minutes = examiner.self_test_minutes(kind)
    ended = _taken_up(work, examiner, kind)
    for _ in range(STARTS_MOST):
        if ended is None:
            if not examiner.start_self_test(kind):
                return _not_run(kind, "it knows no such test, or what it stands in passes none on")
            work.checkpoint(STEPS[kind], STARTED)
            _say_begun(work, kind, minutes)
            ended = _awaited(work, examiner, kind, minutes)
        if ended is None:
            return _not_run(kind, "it does not say any more how its test goes")
        if ended.outcome is not SelfTestOutcome.STOPPED:
            return _told(kind, ended)
        work.say(f"The {kind} self-test was stopped by something; it is started again.")
        ended = None
    return _not_run(kind, f"it was stopped {STARTS_MOST} times, by a reset or a loss of power")


def _taken_up(work: Work, examiner: Examiner, kind: SelfTestKind) -> SelfTest | None:
    """Return the end of a test that an earlier run started; None: it is to be started."""
    proving = work.proving
    if proving.step is not STEPS[kind] or proving.next_byte != STARTED:
        return None
    known = examiner.self_test()
    if known is None or known.kind is not kind:
        return None
    if known.outcome is SelfTestOutcome.UNDER_WAY:
        work.say(f"The {kind} self-test that was started before is still under way.")
        return _awaited(work, examiner, kind, examiner.self_test_minutes(kind))
    # A test of long ago, before the proving began, proves nothing of it.
    before = proving.health_before
    since = None if before is None else before.measures.get(Measure.POWER_ON_HOURS)
    if since is None or known.at_power_on_hours is None or known.at_power_on_hours < since:
        return None
    return known if known.outcome is not SelfTestOutcome.STOPPED else None


def _awaited(
    work: Work, examiner: Examiner, kind: SelfTestKind, minutes: int | None
) -> SelfTest | None:
    """Wait for the end of a test; None: the drive says nothing of it, or not in time."""
    clock = work.bench.clock
    patience_s = WITHOUT_WORD_S[kind]
    if minutes is not None:
        patience_s = minutes * MINUTE_S * PATIENCE_TIMES + PATIENCE_S
    began_s, done = clock.elapsed_s(), 0
    while clock.elapsed_s() - began_s < patience_s:
        _wait(work, kind, done)
        known = examiner.self_test()
        if known is None or known.outcome is not SelfTestOutcome.UNDER_WAY:
            return known
        if known.percent_left is not None:
            done = work.grid.size_bytes * (100 - known.percent_left) // 100
        work.moved(done, f"{kind} {OWN_TEST}")
    return None


def _wait(work: Work, kind: SelfTestKind, done: int) -> None:
    """Ask nothing for a while, and say meanwhile that the test runs on."""
    clock = work.bench.clock
    heard_s = clock.elapsed_s()
    until_s = heard_s + ASK_EVERY_S[kind]
    while (left_s := until_s - clock.elapsed_s()) > 0:
        if work.wants_stop():
            raise work.stopped()
        if clock.elapsed_s() - heard_s >= HEARD_EVERY_S:
            heard_s = clock.elapsed_s()
            work.moved(done, f"{kind} {OWN_TEST}")
        clock.sleep(min(SLICE_S, left_s))


def _say_begun(work: Work, kind: SelfTestKind, minutes: int | None) -> None:
    how_long = "it does not say how long that takes"
    if minutes is not None:
        how_long = f"it says that this takes {duration_words(minutes * MINUTE_S)}"
    work.say(f"The drive runs its {kind} self-test; {how_long}. Nothing else is asked of it.")


def _not_run(kind: SelfTestKind, why: str) -> StepResult:
    said = f"Its {kind} self-test says nothing: {why}."
    return StepResult(STEPS[kind], Outcome.WARNING, (said,))


def _told(kind: SelfTestKind, ended: SelfTest) -> StepResult:
    hours = ended.at_power_on_hours
    when = "" if hours is None else f", at {counted(hours, 'hour')} of operation"
    if ended.outcome is SelfTestOutcome.PASSED:
        said = f"It passed its {kind} self-test{when}."
        return StepResult(STEPS[kind], Outcome.SUCCESS, (said,))
    if ended.outcome is SelfTestOutcome.FAILED:
        part = "" if ended.failed_part is None else f" ({ended.failed_part})"
        place = ended.first_bad_sector
        where = "" if place is None else f" The first bad sector is number {place}."
        said = f"It failed its {kind} self-test{when}{part}.{where}"
        return StepResult(STEPS[kind], Outcome.FAIL, (said,))
    return _not_run(kind, "it does not say how it ended")
