"""What changed between two readings, in sentences. What did not change is not mentioned."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from refreshd.health import wording
from refreshd.health.history import NEVER_FALL, Look, eras_of
from refreshd.health_cards import (
    HealthReading,
    Measure,
    Moment,
    OwnWord,
    Route,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
)

GAUGES = (Measure.WAITING_SECTORS, Measure.BAD_SECTORS)
"""Counts that may fall again: what a drive has now, not what it has had."""

COUNTERS = tuple(
    measure
    for measure in wording.NAMES
    if measure in NEVER_FALL and measure is not Measure.HEAD_FLYING_HOURS
)
"""Counts that only grow; the hours and starts of everyday use have a sentence of their own."""

FIGURES = {
    Measure.ENDURANCE_USED: "%",
    Measure.SPARE_LEFT: "%",
    Measure.SPARE_LEAST: "%",
    Measure.CELSIUS_HIGHEST: "°C",
    Measure.CELSIUS_LOWEST: "°C",
    Measure.CELSIUS_LIMIT: "°C",
}
"""Measures that are no counts, with their units."""


USE = (Measure.POWER_ON_HOURS, Measure.POWER_CYCLES, Measure.SPINDLE_STARTS)
"""What grows with everyday use, and has one sentence together."""

COMPARED = (*GAUGES, *COUNTERS, *FIGURES, *USE)
"""All that is compared; not the temperature of the moment, and not what never changes."""


@dataclass(frozen=True, slots=True)
class Between:
    """How the time between two readings is said."""

    since: str  # such as "since March 2027"
    then: str  # such as "in March 2027"


THE_PASS = Between("during the pass", "before the pass")


def changes_since(looks: Sequence[Look]) -> tuple[str, ...]:
    """
    Return what changed up to the last reading.

    Counted from the last reading that can be compared with it; after a pass, from the one at
    its begin, even if the pass was interrupted since.
    """
    now, earlier = looks[-1], looks[:-1]
    before = _begin_of_pass(earlier) if now.moment is Moment.AFTER else None
    era = eras_of(looks).get(now.reading.route)
    if before is not None and era is not None and before in era.looks:
        return pass_changes(before.reading, now.reading)
    return tuple(_on_the_way(earlier, now)) + tuple(_since_comparable(looks))


def pass_changes(before: HealthReading, after: HealthReading) -> tuple[str, ...]:
    """Return what a pass itself changed, from the readings before and after it."""
    if Route.SILENT in {before.route, after.route}:
        return ()
    if before.route is not after.route:
        text = _other_route(before.route, after.route, THE_PASS)
        return (wording.sentence(text),)
    return tuple(wording.sentence(text) for text in _changes(before, after, THE_PASS))


def _begin_of_pass(earlier: Sequence[Look]) -> Look | None:
    """Return the first reading before the newest pass: it may have been begun more than once."""
    begins = [look for look in earlier if look.moment is Moment.BEFORE]
    if not begins or begins[-1].pass_id is None:
        return begins[-1] if begins else None
    return next(look for look in begins if look.pass_id == begins[-1].pass_id)


def _on_the_way(earlier: Sequence[Look], now: Look) -> Iterator[str]:
    """Say whether it answers in another language than last time, or not at all."""
    if not earlier or earlier[-1].reading.route is now.reading.route:
        return
    last = earlier[-1]
    between = _between(last, now)
    if now.reading.route is Route.SILENT:
        text = f"It answers nothing; {between.then} it answered by {last.reading.route.value}"
    elif last.reading.route is Route.SILENT:
        text = f"It answers by {now.reading.route.value}; {between.then} it answered nothing"
    else:
        text = _other_route(last.reading.route, now.reading.route, between)
    yield wording.sentence(text)


def _other_route(before: Route, after: Route, between: Between) -> str:
    return (
        f"It answered by {after.value}, {between.then} by {before.value}: another dock or cable "
        "speaks for it, and the figures of the two are not compared"
    )


def _since_comparable(looks: Sequence[Look]) -> Iterator[str]:
    now = looks[-1]
    if now.reading.route is Route.SILENT:
        return
    era = eras_of(looks)[now.reading.route]
    if len(era.looks) == 1:
        if era.breach is not None:
            yield wording.sentence(f"{wording.fell(era.breach)}; nothing else is compared")
        return
    last = era.looks[-2]
    for text in _changes(last.reading, now.reading, _between(last, now)):
        yield wording.sentence(text)


def _between(before: Look, now: Look) -> Between:
    return Between(wording.since(before.at, now.at), wording.back_in(before.at, now.at))


def _changes(before: HealthReading, after: HealthReading, between: Between) -> Iterator[str]:
    yield from _words_changed(before, after, between)
    for measure in GAUGES:
        yield from _gauge_changed(measure, before, after, between)
    for measure in COUNTERS:
        yield from _counter_changed(measure, before, after, between)
    for measure, unit in FIGURES.items():
        yield from _figure_changed(measure, unit, before, after, between)
    yield from _tests_ended(before.self_tests, after.self_tests)
    yield from _reported(before, after, between)
    yield from _use(before, after, between)


def _words_changed(before: HealthReading, after: HealthReading, between: Between) -> Iterator[str]:
    if OwnWord.NOT_SAID not in {before.says, after.says} and before.says is not after.says:
        yield f"The drive says of itself: {after.says}; {between.then} it said: {before.says}"
    for warning in after.warnings:
        if warning not in before.warnings:
            yield f"The drive warns anew: {warning}"
    for warning in before.warnings:
        if warning not in after.warnings:
            yield f"The drive warns no more: {warning}"


def _comparable(measure: Measure, before: HealthReading, after: HealthReading) -> tuple[int, int]:
    """Return a measure before and after; equal ones where they cannot be compared."""
    was, now = before.measures.get(measure), after.measures.get(measure)
    if was is None or now is None or before.sources.get(measure) != after.sources.get(measure):
        return 0, 0
    return was, now


def _gauge_changed(
    measure: Measure, before: HealthReading, after: HealthReading, between: Between
) -> Iterator[str]:
    was, now = _comparable(measure, before, after)
    if was == now:
        return
    verb = "is" if now == 1 else "are"
    yield (
        f"There {verb} {wording.amount(measure, now)}; {between.then} there "
        f"{'was' if was == 1 else 'were'} {wording.figure(was)}"
    )


def _counter_changed(
    measure: Measure, before: HealthReading, after: HealthReading, between: Between
) -> Iterator[str]:
    was, now = _comparable(measure, before, after)
    if was == now:
        return
    if now < was:
        yield (
            f"The count of {wording.several(measure)} fell from {wording.figure(was)} "
            f"{between.then} to {wording.figure(now)}: it began anew and is not compared"
        )
        return
    total = f", {wording.figure(now)} in all" if was else ""
    yield f"{wording.amount(measure, now - was)} {between.since}{total}"


def _figure_changed(
    measure: Measure, unit: str, before: HealthReading, after: HealthReading, between: Between
) -> Iterator[str]:
    was, now = _comparable(measure, before, after)
    if was == now:
        return
    name = measure.value.removesuffix(f" ({unit})")
    yield f"{name}: {wording.figure(now)} {unit}, {between.then} {wording.figure(was)} {unit}"


def _tests_ended(before: Sequence[SelfTest], after: Sequence[SelfTest]) -> Iterator[str]:
    """Tell of tests whose end is new: logs have the newest first and forget the oldest."""
    for test in reversed(after):
        if test.outcome is SelfTestOutcome.UNDER_WAY or test in before:
            continue
        kind = "self-test" if test.kind is SelfTestKind.OTHER else f"{test.kind.value} self-test"
        hours = test.at_power_on_hours
        at = "" if hours is None else f" at {wording.amount(Measure.POWER_ON_HOURS, hours)}"
        outcome = "unknown" if test.outcome is SelfTestOutcome.NOT_KNOWN else test.outcome.value
        yield f"{kind} ended{at}: {outcome}"


def _reported(before: HealthReading, after: HealthReading, between: Between) -> Iterator[str]:
    """Say what is reported no more, anew, or by another page: a page may count in other units."""
    was, now = before.measures, after.measures
    both = [one for one in COMPARED if one in was and one in now]
    told = {
        f"Reported {between.then}, but not now": [
            one for one in COMPARED if one in was.keys() - now
        ],
        f"Reported now, but not {between.then}": [
            one for one in COMPARED if one in now.keys() - was
        ],
        f"From other pages than {between.then}, and so not compared": [
            one for one in both if before.sources.get(one) != after.sources.get(one)
        ],
    }
    for words, measures in told.items():
        if measures:
            yield f"{words}: {', '.join(measures)}"


def _use(before: HealthReading, after: HealthReading, between: Between) -> Iterator[str]:
    """Say how much it was used, where that grew."""
    parts = []
    for measure in USE:
        was, now = _comparable(measure, before, after)
        if now > was:
            parts.append(wording.amount(measure, now - was))
    if parts:
        yield f"{', '.join(parts)} {between.since}"
