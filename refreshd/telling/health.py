"""A drive's health as a short letter, and the shelf by verdict: sentences and dates, no score."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from itertools import groupby

from refreshd.cards import Carrier, DriveCard
from refreshd.drive import LOOP_MODEL
from refreshd.durations import counted
from refreshd.health_cards import (
    EvidenceLine,
    HealthEntry,
    HealthReading,
    HealthState,
    Measure,
    OwnWord,
    Part,
    Route,
    SelfTest,
    SelfTestOutcome,
    Verdict,
)
from refreshd.telling.tables import table_lines
from refreshd.verbs.health import HealthList, HealthView
from refreshd.words import DAY_S, duration_words

FLEET_STUDY = (
    "in one published study of a large fleet (Pinheiro, Weber and Barroso, FAST 2007), more than "
    "half of the drives that failed had shown none of the strong signs before"
)
"""Source: E. Pinheiro, W.-D. Weber, L. A. Barroso, "Failure Trends in a Large Disk Drive
Population", FAST 2007 (56 % of failed drives; from memory)."""

USE_MEASURES = (Measure.POWER_ON_HOURS, Measure.SPINDLE_STARTS, Measure.POWER_CYCLES,
                Measure.HEAD_LOADS, Measure.HEAD_FLYING_HOURS)  # fmt: skip
"""What grows with use alone."""

_NOT_TOLD = frozenset(
    {*USE_MEASURES, Measure.CELSIUS, Measure.CELSIUS_HIGHEST, Measure.CELSIUS_LOWEST,
     Measure.CELSIUS_LIMIT, Measure.ROTATIONS_PER_MINUTE, Measure.SPARE_LEAST}
)  # fmt: skip
"""Told elsewhere in the letter, or never changed: not in its table of changes."""

_CHANGES_MAX = 30
_WARNINGS_MAX = 10
_HEADS_OF_SHELF = ("Verdict", "Number", "Shelfmark", "Last reading", "Why")
_HEADS_OF_CHANGES = ("Reading of", "What changed", "From", "To")
_UNTOLD_NAMED_MAX = 4

_NEXT = {
    Verdict.FIT: (
        "Go on as planned. That nothing it reports speaks against it is less than it sounds: "
        f"{FLEET_STUDY}. A second copy on another drive is what protects."
    ),
    Verdict.WATCH: (
        "Go on as planned, and see that all of it has a second copy that was read lately. The next "
        "readings tell whether it stays as it is: what matters is what grows."
    ),
    Verdict.COPY_OFF: (
        "Copy what is on it to another drive soon, what lies nowhere else first; then withdraw it "
        "and let another drive take its place."
    ),
    Verdict.DO_NOT_WRITE: (
        "It is read, never rewritten. Copy what is on it to another drive now, what lies nowhere "
        "else first, with as few starts and as little heat as can be; a fixity pass says which of "
        "it reads right. Then withdraw it."
    ),
}


def verdict_words(state: HealthState | None, as_of: date) -> str:
    """Say a verdict and how old the reading is that it stands on, in half a sentence."""
    if state is None:
        return "health never read"
    if state.is_silent and state.verdict is Verdict.NOT_KNOWN:
        heard = "" if state.judged_on is None else f", last answered on {state.judged_on}"
        return f"silent about its health (asked on {state.read_on}{heard})"
    on = state.judged_on or state.read_on
    silent = f"; silent when asked on {state.read_on}" if state.is_silent else ""
    return f"health: {state.verdict} (reading of {on}{_ago(on, as_of)}{silent})"


def brief_verdict(state: HealthState | None) -> str:
    """Say a verdict and the day of its reading in a few words, for a list."""
    if state is None:
        return "health never read"
    if state.is_silent and state.verdict is Verdict.NOT_KNOWN:
        return f"silent about its health, {state.read_on}"
    return f"{state.verdict}, read {state.judged_on or state.read_on}"


def _ago(on: date, as_of: date) -> str:
    days = (as_of - on).days
    if days <= 0:
        return ""
    return f", {duration_words(days * DAY_S) if days > 2 else counted(days, 'day')} ago"  # noqa: PLR2004 - "48 hours" is no way to speak of days.


# The shelf


def health_list_lines(shelf: HealthList, width: int | None = None) -> Iterator[str]:
    """Tell the drives in care by their health, what asks for something on top."""
    if not shelf.cards:
        yield "No drive is in care."
        return
    in_care = counted(len(shelf.cards), "drive")
    yield f"{in_care} in care, as of {shelf.as_of}, by health, the worst first"
    yield ""
    rows = (
        _shelf_row(card, shelf.as_of, shelf.findings.get(card.number, 0)) for card in shelf.cards
    )
    yield from table_lines(_HEADS_OF_SHELF, rows, width)
    if any(_verdict(card.health) is Verdict.FIT for card in shelf.cards):
        yield ""
        yield f'"{Verdict.FIT}" means that nothing it reports speaks against it; {FLEET_STUDY}.'


def _shelf_row(card: DriveCard, as_of: date, findings: int) -> tuple[str, ...]:
    state = card.health
    read = "never" if state is None else f"{state.read_on}{_ago(state.read_on, as_of)}"
    waiting = counted(findings, "open finding") if findings else ""
    why = "; ".join(filter(None, (_why(card), waiting)))
    return (_verdict(state).value, card.number, card.shelfmark, read, why)


def _verdict(state: HealthState | None) -> Verdict:
    return Verdict.NOT_KNOWN if state is None else state.verdict


def _why(card: DriveCard) -> str:
    state = card.health
    if state is None:
        is_drive = card.evidence.carrier is Carrier.BLOCK
        return "" if is_drive else f"{card.evidence.carrier.words}: there is no drive to ask"
    worst = (one for one in state.evidence if one.verdict is state.verdict)
    reasons = [one.sentence for one in worst if not one.is_praise]
    if state.is_silent and state.verdict is not Verdict.NOT_KNOWN:
        reasons.append("silent when it was last asked")
    if not reasons and state.verdict is Verdict.FIT:
        return "nothing it reports speaks against it"
    return "; ".join(one.rstrip(".") for one in reasons)


# The letter


def health_lines(view: HealthView, width: int | None = None) -> Iterator[str]:
    """Tell how a drive is: verdict, what speaks for it, what changed, what to do next."""
    yield from (_plain(line) for line in _letter(view, width))


def _plain(line: str) -> str:
    """Leave out what would move a cursor: some words are those of a drive (I8)."""
    return line if line.isprintable() else "".join(c if c.isprintable() else " " for c in line)


def _letter(view: HealthView, width: int | None) -> Iterator[str]:
    card, state = view.card, view.card.health
    yield f"{card.number} ({card.title}, {card.shelfmark})"
    yield ""
    if not view.series:
        yield from _never_read(card)
        return
    last = view.series[-1]
    yield f"Verdict: {_verdict(state)}. {_read_when(last, view.as_of)}"
    if card.hold is not None:
        yield f"It is on hold, nothing may be written to it: {card.hold}."
    if last.reading.route is Route.SILENT:
        yield from _silent(card, last.reading)
    told = next(
        (one for one in reversed(view.series) if one.reading.route is not Route.SILENT), None
    )
    if told is not None:
        yield from _evidence_lines(told, is_last=told is last)
        yield from _reading_lines(told.reading)
        yield from _series_lines(view.series, width)
        yield from _finding_lines(view)
        yield from _next_lines(card, _verdict(state))


def _read_when(last: HealthEntry, as_of: date) -> str:
    during = f", {last.moment}" if last.pass_id is None else f", {last.moment} {last.pass_id}"
    return f"Last asked on {last.at.date()}{_ago(last.at.date(), as_of)}{during}."


def _never_read(card: DriveCard) -> Iterator[str]:
    if card.evidence.carrier is Carrier.BLOCK:
        yield "Its health was never read, so nothing is known of it."
        yield (
            "Next: plug it in; its next pass asks it, and so does "
            f"`refreshd health {card.number} --now` at once."
        )
    else:
        yield (
            f"It was taken in as {_a(card.evidence.carrier.words)}: there is no drive that "
            "could be asked, so nothing is known of its health."
        )


def _a(thing: str) -> str:
    return f"{'an' if thing[:1] in 'aeiou' else 'a'} {thing}"


def _silent(card: DriveCard, reading: HealthReading) -> Iterator[str]:
    why = f": {reading.silence.rstrip('.')}" if reading.silence else ""
    yield f"It was silent then, which is not the same as healthy{why}."
    if card.evidence.model == LOOP_MODEL:
        return
    yield (
        "What helps: another dock, one that passes such commands through to the drive, or a SATA "
        f"port of the server itself; then `refreshd health {card.number} --now`. Until then watch "
        "what can be seen without it: findings, its rate, how it sounds."
    )


def _evidence_lines(entry: HealthEntry, *, is_last: bool) -> Iterator[str]:
    if not is_last:
        yield f"What follows is from {entry.at.date()}, when it last said something."
    yield ""
    spoken = [one for one in entry.evidence if not one.is_praise]
    if not spoken:
        yield "Nothing it reports speaks against it."
    else:
        yield "What it shows, by what would fail:"
        ranked = sorted(spoken, key=_part_rank)
        for part, lines in groupby(ranked, key=lambda one: one.part):
            yield f"  {part or 'the drive as a whole'}:"
            yield from (f"    {_sentence(one.sentence)}" for one in lines)
    if entry.changes:
        yield ""
        yield "Changed since the reading before:"
        yield from (f"  {_sentence(one)}" for one in entry.changes)


def _part_rank(line: EvidenceLine) -> tuple[int, int]:
    parts = [None, *Part]
    return parts.index(line.part), -line.verdict.severity


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _reading_lines(reading: HealthReading) -> Iterator[str]:
    """Tell what it says of itself, its tests, temperature and use, and what it keeps quiet."""
    yield ""
    said = {
        OwnWord.PASSING: "it says that it is not about to fail",
        OwnWord.FAILING: "IT SAYS THAT IT IS ABOUT TO FAIL",
        OwnWord.NOT_SAID: "it does not say whether it is about to fail",
    }[reading.says]
    yield f"In its own words ({reading.route}): {said}."
    for warning in reading.warnings[:_WARNINGS_MAX]:
        yield f"It warns: {warning.rstrip('.')}."
    yield f"Its own tests: {_tests_words(reading.self_tests)}."
    if heat := _heat_words(reading.measures):
        yield f"Temperature: {heat}."
    if use := _use_words(reading.measures):
        yield f"In use: {use}."
    yield from _unreported(reading.unreported)


def _tests_words(tests: Sequence[SelfTest]) -> str:
    if not tests:
        return "none is on its record"
    first, *others = tests
    told = _test_words(first)
    failed = [one for one in others if one.outcome is SelfTestOutcome.FAILED]
    if failed:
        told += f"; of the {counted(len(others), 'earlier one')}, {len(failed)} failed"
    return told


def _test_words(test: SelfTest) -> str:
    told = f"the last, {_a(test.kind)} one"
    if test.at_power_on_hours is not None:
        told += f" at {test.at_power_on_hours:,} power-on hours"
    if test.outcome is SelfTestOutcome.UNDER_WAY:
        left = "" if test.percent_left is None else f", {test.percent_left} % of it to go"
        return f"{told}, is under way{left}"
    ended = {
        SelfTestOutcome.PASSED: "passed",
        SelfTestOutcome.FAILED: "FAILED",
        SelfTestOutcome.STOPPED: "was stopped, which says nothing of the drive",
    }.get(test.outcome, "ended in a way that it does not tell")
    where = "" if test.first_bad_sector is None else f" at sector {test.first_bad_sector}"
    part = "" if test.failed_part is None else f" ({test.failed_part})"
    return f"{told}, {ended}{where}{part}"


def _heat_words(measures: Mapping[Measure, int]) -> str:
    now, low, high, limit = (
        measures.get(one)
        for one in (
            Measure.CELSIUS, Measure.CELSIUS_LOWEST, Measure.CELSIUS_HIGHEST, Measure.CELSIUS_LIMIT
        )
    )  # fmt: skip
    told = [] if now is None else [f"{now} °C"]
    if low is not None and high is not None:
        told.append(f"from {low} to {high} °C in its life")
    elif high is not None:
        told.append(f"at most {high} °C in its life")
    if limit is not None:
        told.append(f"it allows {limit} °C")
    return ", ".join(told)


def _use_words(measures: Mapping[Measure, int]) -> str:
    told = [
        f"{measures[one]:,} {one.value}" for one in USE_MEASURES if measures.get(one) is not None
    ]
    return ", ".join(told)


def _unreported(unreported: Mapping[str, str]) -> Iterator[str]:
    """Tell what is not reported, one line for each reason, however many things lack."""
    reasons: dict[str, list[str]] = {}
    for what, why in unreported.items():
        reasons.setdefault(why.rstrip("."), []).append(what)
    for why, things in reasons.items():
        named = ", ".join(things[:_UNTOLD_NAMED_MAX])
        more = len(things) - _UNTOLD_NAMED_MAX
        also = f" and {more} more" if more > 0 else ""
        yield f"Not reported ({why}): {named}{also}."


def _series_lines(series: Sequence[HealthEntry], width: int | None) -> Iterator[str]:
    """Tell which figures changed on which day, over all readings."""
    told = [one for one in series if one.reading.route is not Route.SILENT]
    rows = list(_change_rows(told))
    yield ""
    span = f"since {told[0].at.date()}" if len(told) > 1 else f"of {told[0].at.date()}"
    readings = counted(len(told), "reading")
    if len(told) < 2:  # noqa: PLR2004 - a change needs two
        yield f"{readings} {span}: what changes is seen from the second one on."
    elif not rows:
        yield f"{readings} {span}, and no figure of trouble changed between them."
    else:
        left_out = f", the last {_CHANGES_MAX}" if len(rows) > _CHANGES_MAX else ""
        yield f"{readings} {span}. What changed between them{left_out}:"
        yield ""
        yield from table_lines(_HEADS_OF_CHANGES, rows[-_CHANGES_MAX:], width)


def _change_rows(series: Sequence[HealthEntry]) -> Iterator[tuple[str, ...]]:
    before: dict[Measure, int] = {}
    for entry in series:
        for measure in Measure:
            value = entry.reading.measures.get(measure)
            if value is None or measure in _NOT_TOLD:
                continue
            known = before.get(measure)
            if known is not None and known != value:
                yield str(entry.at.date()), measure.value, f"{known:,}", f"{value:,}"
            before[measure] = value


def _finding_lines(view: HealthView) -> Iterator[str]:
    """Tell that passes found what the drive itself may say nothing of."""
    if view.open_findings:
        yield ""
        yield (
            f"Besides, passes left {counted(view.open_findings, 'open finding')} about what it "
            f"holds; `refreshd findings {view.card.number}` says what could not be read or differs."
        )


def _next_lines(card: DriveCard, verdict: Verdict) -> Iterator[str]:
    if verdict in _NEXT:
        yield ""
        yield f"Next: {_NEXT[verdict]}"
        if verdict in {Verdict.COPY_OFF, Verdict.DO_NOT_WRITE}:
            yield f"`refreshd fixity {card.number}`, then `refreshd withdraw {card.number}`."
