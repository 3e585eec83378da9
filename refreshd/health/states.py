"""The rules about states: what the drive says, its tests, its wear, its heat and its age."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from refreshd.health import wording
from refreshd.health.history import ONE_VISIT, SETTLED_AFTER, Look, Track
from refreshd.health.scales import COPY_OFF, DO_NOT_WRITE, FIT, WATCH, Facts
from refreshd.health_cards import (
    EvidenceLine,
    Measure,
    OwnWarning,
    OwnWord,
    Part,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Verdict,
)

Lines = tuple[EvidenceLine, ...]

CELSIUS_NORMAL = range(25, 46)
"""Where a hard disk should be while it works: 25 to 45 °C; common practice, no source."""

CELSIUS_LEAST = 5
"""Below this makers allow no hard disk to work. Source: a maker's specification of a 3.5-inch
drive, 5 to 60 °C (seen)."""

CELSIUS_MOST = 60
"""Above this makers allow no hard disk to work, where the drive gives no limit of its own;
likewise."""

FLASH_CELSIUS_LEAST = 0
"""Below this makers allow no flash drive to work (from memory)."""

FLASH_CELSIUS_MOST = 70
"""Above this makers allow no flash drive to work, where it gives no limit (from memory)."""

YOUNG_HOURS = 2 * 8760
"""Below this a drive counts as young: a published fleet saw young ones fail more when they were
below 25 °C, and those older than two years when they were hot (FAST'07, seen-2nd)."""

MANY_HOURS = 5 * 8760
"""Hours of running at the end of the service life that makers give: five years. Source: two
makers' manuals (seen)."""

MANY_STARTS = 50_000
"""Starts and stops that a drive is built for. Source: a maker's specification (seen)."""

MANY_LOADS = 600_000
"""Loadings of the heads that a drive is built for; likewise."""

WORN_PERCENT = 100
"""All of the endurance that the maker rated. Source: NVM Express, percentage used; ATA device
statistics page 07h (from memory)."""

NEARLY_WORN_PERCENT = 80
"""Endurance used from which one looks for a successor; common practice, no source."""

SPARE_LEAST_USUAL = 10
"""Least spare blocks in per cent, where the drive gives none (from memory)."""

SPARE_LOST = 10
"""Per cent of the spare blocks whose loss since last time is worth a look; common practice, no
source."""

RECOVERIES_MIN = 100
"""Fewer readings repeated since last time say nothing; common practice, no source."""

RECOVERIES_FACTOR = 10
"""How many times more often than before, for each hour of running; common practice, no source."""

WARNINGS: Mapping[str, tuple[Part | None, Verdict]] = {
    OwnWarning.SPARE_LOW: (Part.CELLS, COPY_OFF),
    OwnWarning.TEMPERATURE: (None, WATCH),
    OwnWarning.UNRELIABLE: (Part.CELLS, DO_NOT_WRITE),
    OwnWarning.READ_ONLY: (Part.CELLS, DO_NOT_WRITE),
    OwnWarning.BACKUP_FAILED: (Part.ELECTRONICS, COPY_OFF),
    OwnWarning.MEMORY_REGION: (Part.ELECTRONICS, WATCH),
}
"""What follows from what a drive warns of; from what it says in other words, "watch"."""


SURFACES = frozenset({Part.COATING, Part.CELLS})
"""What a self-test reads; where it fails in that, content cannot be read."""


def own_word(facts: Facts) -> Lines:
    """What the drive says when it is asked whether it is about to fail. It is not taken back."""
    said = [look for look in facts.era.looks if look.reading.says is not OwnWord.NOT_SAID]
    failing = [look for look in said if look.reading.says is OwnWord.FAILING]
    if not failing:
        return ()
    at = facts.era.last.at
    first, last = failing[0], failing[-1]
    if last.at == at:
        text = "The drive itself says that it is failing"
        if first.at != at:
            text = f"{text}, as it did {wording.back_in(first.at, at)}"
        return (facts.line(None, DO_NOT_WRITE, text),)
    text = f"The drive itself said {wording.back_in(last.at, at)} that it was failing"
    if said[-1].reading.says is OwnWord.FAILING:
        return (facts.line(None, DO_NOT_WRITE, f"{text}, and has not taken it back"),)
    return (facts.line(None, COPY_OFF, f"{text}; it does not now, but drives do not heal"),)


def own_warnings(facts: Facts) -> Lines:
    """What the drive warns of by itself."""
    return tuple(
        facts.line(*WARNINGS.get(warning, (None, WATCH)), f"The drive warns: {warning}")
        for warning in facts.era.last.reading.warnings
    )


def self_tests(facts: Facts) -> Lines:
    """The worst failed test of the drive's own; one that it passed since makes it milder."""
    look = next((one for one in reversed(facts.era.looks) if one.reading.self_tests), None)
    if look is None:
        return ()
    tests = look.reading.self_tests
    lines = [
        _failed_line(facts, look, test, tests[:index])
        for index, test in enumerate(tests)
        if test.outcome is SelfTestOutcome.FAILED
    ]
    return (max(lines, key=lambda line: line.verdict.severity),) if lines else ()


def _failed_line(
    facts: Facts, look: Look, test: SelfTest, newer: Sequence[SelfTest]
) -> EvidenceLine:
    is_of_surface = test.first_bad_sector is not None or test.failed_part in SURFACES
    known_at = next(one.at for one in facts.era.looks if test in one.reading.self_tests)
    is_forbidding = is_of_surface and not facts.was_looked_at(known_at)
    verdict = DO_NOT_WRITE if is_forbidding else COPY_OFF
    text = _failed_text(test)
    if any(_clears(one, test) for one in newer):
        verdict, text = WATCH, f"{text}; it has passed one since"
    if look.at != facts.era.last.at:
        text = f"{text} (as reported in {wording.month(look.at)}, and not since)"
    return facts.line(test.failed_part or (Part.COATING if is_of_surface else None), verdict, text)


def rereading(facts: Facts) -> Lines:
    """Readings that had to be repeated, by hours of running: heads that fly badly."""
    measures = (Measure.READ_RECOVERIES, Measure.CORRECTED_BY_REREADING)
    return tuple(line for measure in measures for line in _rereading(facts, measure))


def _rereading(facts: Facts, measure: Measure) -> Lines:
    track, hours = facts.track(measure), facts.track(Measure.POWER_ON_HOURS)
    if track is None or hours is None or track.grown < RECOVERIES_MIN:
        return ()
    hours_at = {point.at: point.value for point in hours.points}
    before, now = hours_at.get(track.least.at), hours_at.get(track.at)
    if before is None or now is None or before <= 0 or now <= before:
        return ()
    # Cross-multiplied: recent recoveries an hour against those of the whole life before.
    is_faster = track.grown * before >= RECOVERIES_FACTOR * track.least.value * (now - before)
    if not is_faster:
        return ()
    text = (
        f"{wording.amount(measure, track.grown)} {wording.since(track.least.at, track.at)}, "
        f"at least {RECOVERIES_FACTOR} times as many an hour as before"
    )
    return (facts.line(Part.HEADS, WATCH, text, track),)


def wear(facts: Facts) -> Lines:
    """The endurance that the maker rated, and how much of it is used up."""
    track = facts.track(Measure.ENDURANCE_USED)
    if track is None or track.now < NEARLY_WORN_PERCENT:
        return ()
    verdict = COPY_OFF if track.now >= WORN_PERCENT else WATCH
    text = f"{wording.figure(track.now)} % of the writing that its cells are rated for is used up"
    return (facts.line(Part.CELLS, verdict, text, track),)


def spare_blocks(facts: Facts) -> Lines:
    """Spare blocks against the least that the drive needs, and whether they dwindle."""
    left, least = facts.track(Measure.SPARE_LEFT), facts.track(Measure.SPARE_LEAST)
    if left is None:
        return ()
    limit = SPARE_LEAST_USUAL if least is None else least.now
    text = f"{wording.figure(left.now)} % of its spare blocks are left"
    if left.now <= limit:
        text = f"{text}, and it needs more than {wording.figure(limit)} %"
        return (facts.line(Part.CELLS, COPY_OFF, text, left),)
    lost = left.base.value - left.now
    if left.is_settled or lost < SPARE_LOST:
        return ()
    text = f"{text}, {lost} % fewer than {wording.back_in(left.base.at, left.at)}"
    return (facts.line(Part.CELLS, WATCH, text, left),)


def too_hot_now(facts: Facts) -> Lines:
    """The temperature at this reading, against what is normal while a drive works."""
    celsius = facts.current(Measure.CELSIUS)
    limit = _limit(facts)
    most = limit if facts.is_flash else min(limit, CELSIUS_NORMAL[-1])
    if celsius is None or celsius <= most:
        return ()
    text = f"It was {celsius} °C hot when it was asked; it should be {most} °C at most"
    return (facts.line(None, WATCH, text),)


def too_cold_now(facts: Facts) -> Lines:
    """The temperature at this reading, where it is too low."""
    celsius = facts.current(Measure.CELSIUS)
    if celsius is None:
        return ()
    if celsius < (FLASH_CELSIUS_LEAST if facts.is_flash else CELSIUS_LEAST):
        asked = f"It was {celsius} °C cold when it was asked"
        text = f"{asked}. Let it come to room temperature without power"
        return (facts.line(None, WATCH, text),)
    if facts.is_flash or celsius >= CELSIUS_NORMAL[0]:
        return ()
    text = f"It was {celsius} °C warm, less than the usual {CELSIUS_NORMAL[0]} °C"
    hours = facts.track(Measure.POWER_ON_HOURS)
    if hours is not None and hours.now < YOUNG_HOURS:
        text = f"{text}: in a published fleet young drives failed more often when cold"
    return (facts.line(None, FIT, text),)


def once_too_hot(facts: Facts) -> Lines:
    """The highest temperature of its life, against its limit."""
    track = facts.track(Measure.CELSIUS_HIGHEST, ONE_VISIT)
    limit = _limit(facts)
    if track is None or track.now <= limit:
        return ()
    text = f"It was once {track.now} °C hot; {limit} °C are allowed"
    return (facts.line(None, FIT if track.is_settled else WATCH, text, track),)


def age(facts: Facts) -> Lines:
    """Hours of running, starts and loadings of the heads, against what a drive is built for."""
    limits = (
        (Measure.POWER_ON_HOURS, Part.MOTOR, MANY_HOURS),
        (Measure.SPINDLE_STARTS, Part.STARTING, MANY_STARTS),
        (Measure.HEAD_LOADS, Part.HEADS, MANY_LOADS),
    )
    return tuple(
        line
        for measure, part, many in limits
        for line in _age(facts, facts.track(measure), part, many)
    )


def _age(facts: Facts, track: Track | None, part: Part, many: int) -> Lines:
    if track is None or track.now < many or facts.is_flash:
        return ()
    text = f"{wording.amount(track.measure, track.now)}; drives are built for about {many:,}"
    return (facts.line(part, WATCH, text, track),)


def another_drive(facts: Facts) -> Lines:
    """What went back that only grows as a drive is used: nothing older is compared."""
    breach = facts.era.breach
    if breach is None or facts.era.last.at - breach.after.at >= SETTLED_AFTER:
        return ()
    text = (
        f"{wording.fell(breach)}. Another drive may be behind this number, or its memory was "
        "cleared: nothing from before is compared with what it says now"
    )
    return (facts.line(None, WATCH, text),)


def went_back(facts: Facts) -> Lines:
    """Judged counters that fell: they are not computed with across the fall."""
    tracks = (facts.track(measure) for measure in JUDGED)
    falls = [track.fall for track in tracks if track is not None and track.fall is not None]
    recent = [one for one in falls if facts.era.last.at - one.after.at < SETTLED_AFTER]
    tail = "A counter that falls began anew, or other firmware counts otherwise"
    return tuple(facts.line(None, WATCH, f"{wording.fell(one)}. {tail}") for one in recent)


JUDGED = (
    Measure.MOVED_SECTORS,
    Measure.REPORTED_ERRORS,
    Measure.UNCORRECTED_READS,
    Measure.UNCORRECTED_WRITES,
    Measure.UNCORRECTED_VERIFIES,
    Measure.MEDIA_ERRORS,
    Measure.START_RETRIES,
    Measure.START_FAILURES,
    Measure.ENDURANCE_USED,
)
"""Counters that never fall, and from whose falling to less a drive would look better."""


def _limit(facts: Facts) -> int:
    track = facts.track(Measure.CELSIUS_LIMIT)
    usual = FLASH_CELSIUS_MOST if facts.is_flash else CELSIUS_MOST
    return usual if track is None else track.now


def _clears(newer: SelfTest, failed: SelfTest) -> bool:
    """Say whether a test that was passed later looked at what failed, or at more."""
    is_enough = newer.kind is SelfTestKind.EXTENDED or (
        newer.kind is SelfTestKind.SHORT and failed.kind is SelfTestKind.SHORT
    )
    return newer.outcome is SelfTestOutcome.PASSED and is_enough


def _failed_text(test: SelfTest) -> str:
    kind = "self-test" if test.kind is SelfTestKind.OTHER else f"{test.kind.value} self-test"
    text = f"The drive failed its {kind}"
    if test.at_power_on_hours is not None:
        text = f"{text} at {wording.amount(Measure.POWER_ON_HOURS, test.at_power_on_hours)}"
    if test.first_bad_sector is not None:
        return f"{text}: sector {wording.figure(test.first_bad_sector)} could not be read"
    return text if test.failed_part is None else f"{text}: {test.failed_part.value}"
