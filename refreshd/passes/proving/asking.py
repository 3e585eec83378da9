"""How the drive is before and after, and what the proving itself changed."""

from __future__ import annotations

from refreshd.errors import DriveGoneError
from refreshd.health import judge
from refreshd.health_cards import HealthEntry, HealthReading, Moment, RawPages, Route, Verdict
from refreshd.pages import assemble
from refreshd.passes.proving.work import LEFT_ALONE, Work, is_left_alone
from refreshd.ports import Examiner
from refreshd.proving_cards import ProvingStep, StepResult
from refreshd.quantities import DriveNumber, Outcome

NOBODY_TO_ASK = "There is no drive here that could be asked: this is a file, or a volume of parts."


def read_before(work: Work) -> StepResult:
    """Ask the drive how it is before anything is written."""
    if work.examiner is None:
        return _unasked(work, ProvingStep.HEALTH_BEFORE)
    pages = _read(work, work.examiner)
    reading = assemble(pages)
    work.health_read(reading, dict(pages.pages))
    return _judged(work, ProvingStep.HEALTH_BEFORE, reading, Moment.BEFORE, ())


def read_after(work: Work) -> StepResult:
    """Ask it again, and say what changed while it was proved."""
    if work.examiner is None:
        return _unasked(work, ProvingStep.HEALTH_AFTER)
    pages = _read(work, work.examiner)
    reading = assemble(pages)
    work.pages_after, work.health_after = dict(pages.pages), reading
    return _judged(work, ProvingStep.HEALTH_AFTER, reading, Moment.AFTER, series_of(work))


def _read(work: Work, examiner: Examiner) -> RawPages:
    try:
        return examiner.read()
    except DriveGoneError:
        work.went_away = True
        raise


def _unasked(work: Work, step: ProvingStep) -> StepResult:
    why = LEFT_ALONE if is_left_alone(work.proving) else NOBODY_TO_ASK
    return StepResult(step, Outcome.WARNING, (why,))


def series_of(work: Work) -> tuple[HealthEntry, ...]:
    """Return the reading before as a series of one."""
    proving = work.proving
    before = proving.health_before
    if before is None:
        return ()
    judgement = judge((), before, proving.begun_at, Moment.BEFORE)
    return (
        HealthEntry(
            drive=DriveNumber(proving.id),  # it has no number yet
            at=proving.begun_at,
            moment=Moment.BEFORE,
            pass_id=None,
            reading=before,
            verdict=judgement.verdict,
            evidence=judgement.evidence,
        ),
    )


def verdict_of(work: Work) -> Verdict:
    """Return what the readings of this proving come to."""
    reading = work.health_after or work.proving.health_before
    if reading is None:
        return Verdict.NOT_KNOWN
    is_after = work.health_after is not None
    series = series_of(work) if is_after else ()
    moment = Moment.AFTER if is_after else Moment.BEFORE
    return judge(series, reading, work.bench.clock.now(), moment).verdict


def _judged(
    work: Work,
    step: ProvingStep,
    reading: HealthReading,
    moment: Moment,
    series: tuple[HealthEntry, ...],
) -> StepResult:
    if reading.route is Route.SILENT:
        why = f": {reading.silence}" if reading.silence else ""
        silent = f"It does not say how it is{why}. That is not the same as being well."
        return StepResult(step, Outcome.WARNING, (silent,))
    found = judge(series, reading, work.bench.clock.now(), moment)
    said = [f"Verdict: {found.verdict}."]
    said += [line.sentence for line in found.evidence]
    if series:
        said += found.changes or ("Nothing changed while it was proved.",)
    outcome = Outcome.WARNING if found.verdict is Verdict.NOT_KNOWN else found.verdict.outcome
    return StepResult(step, outcome, tuple(said))
