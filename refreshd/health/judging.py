"""What a series of readings means: the table of rules, and the verdict that follows.

The verdict is the worst of the lines of evidence, and there is no other way to it. Rules look
at readings in one language; what a drive said in another language stands beside it as it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from refreshd.health import counts, states, wording
from refreshd.health.changes import changes_since
from refreshd.health.history import SETTLED_AFTER, Era, Look, eras_of, looks_of
from refreshd.health.scales import COPY_OFF, FIT, WATCH, Facts, worst
from refreshd.health_cards import (
    EvidenceLine,
    HealthEntry,
    HealthReading,
    Measure,
    Moment,
    OwnWord,
    Part,
    Route,
    Verdict,
)

Rule = Callable[[Facts], tuple[EvidenceLine, ...]]

RULES: tuple[Rule, ...] = (
    # the drive's own word
    states.own_word,
    states.own_warnings,
    states.self_tests,
    # coating, cells
    counts.moved_sectors,
    counts.waiting_sectors,
    counts.bad_sectors,
    counts.reported_errors,
    counts.uncorrected_errors,
    counts.media_errors,
    states.wear,
    states.spare_blocks,
    # heads
    states.rereading,
    # starting
    counts.start_failures,
    counts.start_retries,
    # electronics and cable
    counts.path_errors,
    counts.resets,
    # heat
    states.too_hot_now,
    states.too_cold_now,
    states.once_too_hot,
    counts.time_too_hot,
    counts.time_too_cold,
    # age: motor, starts, loadings of the heads
    states.age,
    # whether it is the same drive, and the same counter
    states.another_drive,
    states.went_back,
)

MOMENTARY = frozenset({states.too_hot_now, states.too_cold_now})
"""Rules about the moment of a reading; what they say is of no account later."""

TELLING = frozenset(
    {
        Measure.MOVED_SECTORS,
        Measure.WAITING_SECTORS,
        Measure.BAD_SECTORS,
        Measure.REPORTED_ERRORS,
        Measure.UNCORRECTED_READS,
        Measure.UNCORRECTED_WRITES,
        Measure.UNCORRECTED_VERIFIES,
        Measure.MEDIA_ERRORS,
        Measure.ENDURANCE_USED,
        Measure.SPARE_LEFT,
    }
)
"""A drive that reports none of these now may say that it passes, and nothing bears it out."""

REASONS_MAX = 3
"""Reasons that are named in one sentence: a drive may give as many as it has pages (I8)."""

NOTHING_AGAINST = (
    "Nothing that it reports speaks against it. That is no promise: of the drives that failed in "
    "a published fleet, more than half had given none of the strong signs"
)
"""56 % of them. Source: Pinheiro, Weber, Barroso, FAST'07 (from memory)."""

NOTHING_TELLING = "It reports nothing that would tell how it is"
SILENT = "It answers no question about itself, which is not the same as being well"


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a reading means beside those before it, and what has changed."""

    verdict: Verdict
    evidence: tuple[EvidenceLine, ...]
    changes: tuple[str, ...]


def judge(
    series: Sequence[HealthEntry],
    reading: HealthReading,
    at: datetime,
    moment: Moment,
    looked_at: datetime | None = None,
) -> Judgement:
    """
    Say what a reading means.

    Args:
        series: The readings of the drive before this one, oldest first; may be empty.
        reading: The new one.
        at: When it was taken, in UTC.
        moment: AFTER: the changes are those since the reading before the same pass.
        looked_at: When somebody last lifted a hold of the drive. What had grown by then forbids
            no writing any more; the drive's own word does.
    """
    looks = (*looks_of(series), Look(at, moment, reading))
    evidence = in_order(_lines(looks, looked_at))
    return Judgement(worst(*(line.verdict for line in evidence)), evidence, changes_since(looks))


def in_order(lines: Iterable[EvidenceLine]) -> tuple[EvidenceLine, ...]:
    """Sort lines by what fails in a drive, what is of no part first; the worst first in each."""
    parts = (None, *Part)
    return tuple(sorted(lines, key=lambda line: (parts.index(line.part), -line.verdict.severity)))


def _lines(looks: Sequence[Look], looked_at: datetime | None) -> list[EvidenceLine]:
    eras = eras_of(looks)
    now = looks[-1]
    own = eras.pop(now.reading.route, None)
    if own is None:
        return [_silence(now), *_carried(eras, None, now, looked_at)]
    lines = [line for rule in RULES for line in rule(Facts(own, looked_at))]
    lines += _carried(eras, own, now, looked_at)
    if any(line.verdict.severity >= WATCH.severity for line in lines):
        return lines
    if TELLING & now.reading.measures.keys():
        return [EvidenceLine(None, FIT, wording.sentence(NOTHING_AGAINST)), *lines]
    return [_nothing_telling(now)]


def _nothing_telling(now: Look) -> EvidenceLine:
    """Say that its own word alone bears nothing out, and why there is no more."""
    text = NOTHING_TELLING
    if now.reading.says is OwnWord.PASSING:
        text = f"{text}, but that it is passing"
    reasons = sorted(set(now.reading.unreported.values()))
    if reasons:
        text = f"{text} ({'; '.join(reasons[:REASONS_MAX])})"
    return EvidenceLine(None, Verdict.NOT_KNOWN, wording.sentence(text))


def _silence(now: Look) -> EvidenceLine:
    why = f": {now.reading.silence}" if now.reading.silence else ""
    return EvidenceLine(None, Verdict.NOT_KNOWN, wording.sentence(f"{SILENT}{why}"))


def _carried(
    eras: Mapping[Route, Era], own: Era | None, now: Look, looked_at: datetime | None
) -> list[EvidenceLine]:
    """
    Return what was known in other languages and is still to be minded.

    A drive does not get better by being put into another dock. Beside an answer, "watch" fades
    after `SETTLED_AFTER`, and what was before a break counts no more; beside silence all stands.
    """
    breach = None if own is None else own.breach
    lines: list[EvidenceLine] = []
    for era in eras.values():
        then = era.last.at
        if breach is not None and then < breach.after.at:
            continue
        is_faded = own is not None and now.at - then >= SETTLED_AFTER
        least = COPY_OFF if is_faded else WATCH
        lines += _as_read_then(Facts(era, looked_at), least, is_named=own is not None)
    return lines


def _as_read_then(facts: Facts, least: Verdict, *, is_named: bool) -> list[EvidenceLine]:
    """Return what lasts of the last reading of an era and is at least so bad, with its date."""
    last = facts.era.last
    route = f" by {last.reading.route.value}" if is_named else ""
    said = f"As read in {wording.month(last.at)}{route}: "
    lasting = (rule for rule in RULES if rule not in MOMENTARY)
    return [
        replace(line, sentence=said + line.sentence)
        for rule in lasting
        for line in rule(facts)
        if line.verdict.severity >= least.severity
    ]
