"""What can be compared with what, silence, and the verdict that follows from the lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.health import judge
from refreshd.health.history import NEVER_FALL
from refreshd.health.judging import MOMENTARY, RULES
from refreshd.health_cards import (
    NUMBER_MAX,
    HealthEntry,
    HealthReading,
    Measure,
    Moment,
    OwnWarning,
    OwnWord,
    PageName,
    Part,
    Route,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Verdict,
)
from tests.health_lives import (
    K07,
    MARCH_2027,
    YEAR,
    Life,
    bridged,
    disk,
    failed_test,
    flash,
    judged,
    line_about,
    sentences,
    silent,
    without,
)

FIT, WATCH, NOT_KNOWN = Verdict.FIT, Verdict.WATCH, Verdict.NOT_KNOWN
COPY_OFF, DO_NOT_WRITE = Verdict.COPY_OFF, Verdict.DO_NOT_WRITE
M = Measure
NO_PROMISE = (
    "Nothing that it reports speaks against it. That is no promise: of the drives that failed in "
    "a published fleet, more than half had given none of the strong signs."
)


def test_fit_for_duty_is_no_promise() -> None:
    """
    The mildest verdict claims no more than that nothing speaks against the drive.

    56 % of failed drives had none of the strong signs (Pinheiro and others, FAST'07, from memory).
    """
    for reading in (disk(), flash(), bridged()):
        assert judged(reading).verdict is FIT
        assert sentences(judged(reading)) == [NO_PROMISE]


def test_a_silent_drive_is_not_known() -> None:
    """A bridge that passes nothing on is silent, and silence is not health."""
    judgement = judged(silent())

    assert judgement.verdict is NOT_KNOWN
    assert sentences(judgement) == [
        (
            "It answers no question about itself, which is not the same as being well: "
            "the dock passes no such command on."
        )
    ]
    assert sentences(judged(silent("")))[0].endswith("the same as being well.")


def test_silence_takes_back_praise_and_keeps_a_warning() -> None:
    """A drive does not get better, nor stay well, by being put into another dock."""
    assert judged(disk(), silent()).verdict is NOT_KNOWN
    judgement = judged(disk(), disk({M.WAITING_SECTORS: 4}), silent(), silent(), silent())

    assert judgement.verdict is DO_NOT_WRITE
    assert sentences(judgement)[1] == (
        "As read in March 2028: 4 sectors waiting to be moved since March 2027. "
        "What was written there cannot be read."
    )
    assert len(judgement.evidence) == 2


def test_heat_of_the_day_is_not_kept_through_silence() -> None:
    """How warm the drive was at an earlier visit says nothing today."""
    for celsius in (50, 2):
        life = Life()
        life.read(disk({M.CELSIUS: celsius}))
        assert life.verdict is WATCH
        life.read(silent(), YEAR)
        assert life.verdict is NOT_KNOWN


@pytest.mark.parametrize(
    "telling",
    [
        M.MOVED_SECTORS, M.WAITING_SECTORS, M.BAD_SECTORS, M.REPORTED_ERRORS, M.UNCORRECTED_READS,
        M.UNCORRECTED_WRITES, M.UNCORRECTED_VERIFIES, M.MEDIA_ERRORS, M.ENDURANCE_USED,
        M.SPARE_LEFT,
    ],
)  # fmt: skip
def test_one_telling_measure_is_enough_to_be_known(telling: Measure) -> None:
    """Each of them alone lets a drive be fit for duty; all others together do not."""
    others = dict.fromkeys((M.POWER_ON_HOURS, M.CELSIUS, M.POWER_CYCLES), 30)
    value = 100 if telling is M.SPARE_LEFT else 0
    alone = HealthReading(Route.ATA, OwnWord.NOT_SAID, {**others, telling: value})

    assert judged(alone).verdict is FIT
    assert judged(without(alone, telling)).verdict is NOT_KNOWN


def test_the_word_of_a_drive_alone_bears_nothing_out() -> None:
    """A drive that says that it is passing, and counts nothing, is not known; the reasons stand."""
    reading = HealthReading(
        Route.ATA,
        OwnWord.PASSING,
        {M.CELSIUS: 34},
        {"ata smart data": "its checksum is wrong", "b": "c", "d": "a", "e": "d", "f": "c"},
    )
    judgement = judged(reading)

    assert judgement.verdict is NOT_KNOWN
    assert sentences(judgement) == [
        "It reports nothing that would tell how it is, but that it is passing (a; c; d)."
    ]
    bare = HealthReading(Route.ATA, OwnWord.NOT_SAID)
    assert sentences(judged(bare)) == ["It reports nothing that would tell how it is."]


def test_what_is_not_reported_any_more_stands_as_it_was() -> None:
    """A page that cannot be read any more makes no drive look better."""
    life = Life()
    life.read(disk())
    life.read(disk({M.WAITING_SECTORS: 4}), YEAR)
    for _ in range(4):
        life.read(without(disk(), M.WAITING_SECTORS), YEAR)

    assert life.verdict is DO_NOT_WRITE
    assert life.line(Part.COATING).sentence == (
        "4 sectors waiting to be moved since March 2027. What was written there cannot be read "
        "(as reported in March 2028, and not since)."
    )


def test_figures_of_two_languages_are_never_compared() -> None:
    """A dock that answers by itself counts other things than the drive behind it."""
    life = Life()
    life.read(bridged({M.UNCORRECTED_READS: 40}))
    judgement = life.read(disk({M.UNCORRECTED_READS: 41}), YEAR)

    assert judgement.changes == (
        (
            "It answered by ATA, in March 2027 by SCSI: another dock or cable speaks for it, and "
            "the figures of the two are not compared."
        ),
    )
    assert sentences(judgement) == [
        "41 uncorrected read errors; there is no earlier reading to compare with.",
        (
            "As read in March 2027 by SCSI: 40 uncorrected read errors; there is no earlier "
            "reading to compare with."
        ),
    ]


def test_a_reading_is_compared_with_the_last_one_in_its_language() -> None:
    """A year in another dock does not break the series of the drive itself."""
    life = Life()
    life.read(disk({M.MOVED_SECTORS: 2}))
    life.read(bridged(), YEAR)
    judgement = life.read(disk({M.MOVED_SECTORS: 5}), YEAR)

    assert judgement.changes == (
        (
            "It answered by ATA, in March 2028 by SCSI: another dock or cable speaks for it, and "
            "the figures of the two are not compared."
        ),
        "3 sectors moved to spares since March 2027, 5 in all.",
    )


@pytest.mark.parametrize(
    ("errors", "days", "verdict"),
    [(1, 729, WATCH), (1, 730, FIT), (60, 729, COPY_OFF), (60, 4000, COPY_OFF)],
)
def test_what_was_said_in_another_language_fades_only_if_it_is_mild(
    errors: int, days: int, verdict: Verdict
) -> None:
    """A warning stands beside the answers of now for two years, what is worse for good."""
    life = Life()
    life.read(bridged({M.UNCORRECTED_READS: errors}))
    life.read(disk(), timedelta(days=days))

    assert life.verdict is verdict


def test_a_drive_with_fewer_hours_than_before_is_not_compared() -> None:
    """Hours only grow: where they fell, another drive may be behind the number."""
    life = Life()
    life.read(disk({M.POWER_ON_HOURS: 17_520, M.WAITING_SECTORS: 4}))
    judgement = life.read(disk({M.POWER_ON_HOURS: 12, M.WAITING_SECTORS: 9}), YEAR)

    assert judgement.verdict is WATCH
    assert sentences(judgement) == [
        (
            "Its power-on hours went from 17,520 in March 2027 to 12 in March 2028. Another drive "
            "may be behind this number, or its memory was cleared: nothing from before is "
            "compared with what it says now."
        ),
        "9 sectors waiting to be moved; there is no earlier reading to compare with.",
    ]
    assert judgement.changes == (
        (
            "Its power-on hours went from 17,520 in March 2027 to 12 in March 2028; nothing else "
            "is compared."
        ),
    )


@pytest.mark.parametrize(
    ("measure", "before", "now", "is_other"),
    [
        (M.POWER_ON_HOURS, 1000, 976, False),
        (M.POWER_ON_HOURS, 1000, 975, True),
        (M.POWER_CYCLES, 10, 9, False),
        (M.POWER_CYCLES, 10, 8, True),
        (M.SPINDLE_STARTS, 10, 9, False),
        (M.SPINDLE_STARTS, 10, 8, True),
        (M.ROTATIONS_PER_MINUTE, 5400, 7200, True),
        (M.ROTATIONS_PER_MINUTE, 7200, 5400, True),
        (M.ROTATIONS_PER_MINUTE, 7200, 7200, False),
        (M.ROTATIONS_PER_MINUTE, 7200, 1, False),
        (M.ROTATIONS_PER_MINUTE, 2, 7200, True),
        (M.ROTATIONS_PER_MINUTE, 1, 7200, False),
    ],
)
def test_what_only_grows_with_use_tells_drives_apart(
    measure: Measure, before: int, now: int, *, is_other: bool
) -> None:
    """A clock that lost its last day is forgiven; common practice, no source."""
    judgement = judged(disk({measure: before}), disk({measure: now}))

    assert any("Another drive may be behind" in line for line in sentences(judgement)) is is_other
    assert judgement.verdict is (WATCH if is_other else FIT)


def test_witnesses_are_remembered_while_they_are_not_reported() -> None:
    """A reading without hours between two is no way to put another drive in."""
    hours = M.POWER_ON_HOURS
    judgement = judged(disk({hours: 900}), without(disk(), hours), disk({hours: 12}))

    assert judgement.verdict is WATCH
    assert "went from 900 in March 2027 to 12 in March 2029" in sentences(judgement)[0]


@pytest.mark.parametrize(("days", "verdict"), [(729, WATCH), (730, FIT)])
def test_a_break_is_minded_for_two_years(days: int, verdict: Verdict) -> None:
    """After two years of answers of its own the drive is judged by these alone."""
    life = Life()
    life.read(disk({M.POWER_ON_HOURS: 900}))
    life.read(disk(), YEAR)
    life.read(disk(), timedelta(days=days))

    assert life.verdict is verdict


def test_nothing_from_before_a_break_is_carried_over() -> None:
    """What another drive said by another dock is no evidence about this one."""
    life = Life()
    life.read(disk({M.POWER_ON_HOURS: 900}))
    life.read(bridged({M.UNCORRECTED_READS: 60}), timedelta(days=1))
    judgement = life.read(disk(), timedelta(days=1))

    assert judgement.verdict is WATCH
    assert not any("As read" in line for line in sentences(judgement))


JUDGED_FALLS = [
    M.MOVED_SECTORS, M.REPORTED_ERRORS, M.UNCORRECTED_READS, M.UNCORRECTED_WRITES,
    M.UNCORRECTED_VERIFIES, M.MEDIA_ERRORS, M.START_RETRIES, M.START_FAILURES, M.ENDURANCE_USED,
]  # fmt: skip


@pytest.mark.parametrize("measure", JUDGED_FALLS)
def test_a_counter_that_fell_is_said_and_not_computed_with(measure: Measure) -> None:
    """A count that cannot fall, and fell, neither acquits a drive nor grows from there."""
    judgement = judged(disk({measure: 12}), disk({measure: 3}), disk({measure: 3}))

    assert judgement.verdict.severity >= WATCH.severity
    line = line_about(judgement, "A counter that falls began anew")
    assert line.sentence == (
        f"Its {measure.value} went from 12 in March 2027 to 3 in March 2028. A counter that falls "
        "began anew, or other firmware counts otherwise."
    )
    assert not any("since March 2027" in text for text in sentences(judgement))


@pytest.mark.parametrize(
    "measure",
    [
        M.READ_RECOVERIES, M.PATH_ERRORS, M.RESETS, M.CORRECTED_BY_REREADING, M.MINUTES_TOO_HOT,
        M.MINUTES_TOO_COLD, M.UNSAFE_SHUTDOWNS, M.HEAD_LOADS, M.HEAD_FLYING_HOURS,
        M.CELSIUS_HIGHEST,
    ],
)  # fmt: skip
def test_other_counters_that_fell_are_no_reason_to_watch(measure: Measure) -> None:
    """Counts of everyday use wrap and are cleared; they begin anew, and are not compared."""
    judgement = judged(disk({measure: 12}), disk({measure: 3}))

    assert measure in NEVER_FALL
    assert judgement.verdict is FIT
    assert not any("down from" in text for text in sentences(judgement))


@pytest.mark.parametrize(("days", "verdict"), [(729, WATCH), (730, FIT)])
def test_a_fall_is_minded_for_two_years(days: int, verdict: Verdict) -> None:
    """A fall settles as a count does."""
    life = Life()
    life.read(disk({M.MOVED_SECTORS: 12}))
    life.read(disk({M.MOVED_SECTORS: 0}), YEAR)
    life.read(disk({M.MOVED_SECTORS: 0}), timedelta(days=days))

    assert life.verdict is verdict


def test_every_momentary_rule_is_in_the_table() -> None:
    """A rule that is left out of one list and kept in the other would be a dead letter."""
    assert set(RULES) >= MOMENTARY
    assert len(set(RULES)) == len(RULES)


# ── properties ──

FIGURES = st.one_of(st.integers(0, 120), st.integers(-100, NUMBER_MAX))
TESTS = st.builds(
    SelfTest,
    st.sampled_from(SelfTestKind),
    st.sampled_from(SelfTestOutcome),
    st.none() | FIGURES,
    st.none() | FIGURES,
    st.none() | st.sampled_from(Part),
    st.none() | FIGURES,
)
READINGS = st.builds(
    HealthReading,
    st.sampled_from(Route),
    st.sampled_from(OwnWord),
    st.dictionaries(st.sampled_from(Measure), FIGURES),
    st.dictionaries(st.sampled_from([*Measure, "a page"]).map(str), st.text(max_size=5)),
    st.lists(TESTS, max_size=3).map(tuple),
    st.lists(st.sampled_from([*OwnWarning, "another"]).map(str), max_size=2).map(tuple),
    st.text(max_size=9),
    st.dictionaries(st.sampled_from(Measure), st.sampled_from(list(PageName)[:2])),
)
LOOKS = st.tuples(READINGS, st.sampled_from(Moment), st.integers(0, 1500))


def lived(looks: list[tuple[HealthReading, Moment, int]]) -> Life:
    """Return a life of some readings, each so many days after the one before."""
    life = Life()
    for reading, moment, days in looks:
        life.read(reading, timedelta(days=days), moment, "K07/1")
    return life


@given(st.lists(LOOKS, min_size=1, max_size=5))
def test_the_verdict_is_the_worst_of_its_lines(
    looks: list[tuple[HealthReading, Moment, int]],
) -> None:
    """Whatever a drive says, it is judged, and by its evidence alone."""
    for entry in lived(looks).series:
        assert entry.evidence
        worst = max(line.verdict.severity for line in entry.evidence)
        assert entry.verdict.severity == worst
        for text in (*[line.sentence for line in entry.evidence], *entry.changes):
            assert text[0] == text[0].upper()
            assert text.endswith(".")


@given(st.lists(LOOKS, max_size=5), st.text(max_size=9))
def test_a_silent_drive_is_never_fit_for_duty(
    looks: list[tuple[HealthReading, Moment, int]], why: str
) -> None:
    """Neither is any line of its evidence."""
    judgement = lived(looks).read(silent(why))

    assert judgement.verdict is not FIT
    assert all(line.verdict is not FIT for line in judgement.evidence)


@given(st.lists(LOOKS, min_size=1, max_size=4), st.integers(0, 3000))
def test_the_same_reading_again_changes_nothing(
    looks: list[tuple[HealthReading, Moment, int]], days: int
) -> None:
    """What did not change is not mentioned, however much time has passed."""
    life = lived(looks)
    again = life.read(life.series[-1].reading, timedelta(days=days), Moment.BETWEEN)

    assert again.changes == ()


@given(st.lists(LOOKS, min_size=1, max_size=3))
def test_the_order_within_a_reading_is_of_no_account(
    looks: list[tuple[HealthReading, Moment, int]],
) -> None:
    """A mapping that was read back from the journal may be sorted otherwise."""
    turned = [
        (
            replace(
                reading,
                measures=dict(sorted(reading.measures.items(), reverse=True)),
                unreported=dict(sorted(reading.unreported.items(), reverse=True)),
            ),
            moment,
            days,
        )
        for reading, moment, days in looks
    ]
    one, other = lived(looks).series[-1], lived(turned).series[-1]

    assert (one.verdict, one.evidence, one.changes) == (
        other.verdict,
        other.evidence,
        other.changes,
    )


WORSE_UP = (
    M.MOVED_SECTORS, M.WAITING_SECTORS, M.BAD_SECTORS, M.REPORTED_ERRORS, M.READ_RECOVERIES,
    M.START_RETRIES, M.START_FAILURES, M.PATH_ERRORS, M.RESETS, M.UNCORRECTED_READS,
    M.UNCORRECTED_WRITES, M.UNCORRECTED_VERIFIES, M.CORRECTED_BY_REREADING, M.CELSIUS_HIGHEST,
    M.MINUTES_TOO_HOT, M.MINUTES_TOO_COLD, M.ENDURANCE_USED, M.MEDIA_ERRORS, M.HEAD_LOADS,
)  # fmt: skip
STEPS = st.lists(
    st.tuples(
        st.dictionaries(st.sampled_from(WORSE_UP), st.integers(0, 60), max_size=4),
        st.integers(0, 1000),
    ),
    min_size=1,
    max_size=5,
)


@given(STEPS, st.sampled_from(WORSE_UP), st.integers(1, 100))
def test_a_worse_counter_never_gives_a_milder_verdict(
    steps: list[tuple[Mapping[Measure, int], int]], worse: Measure, more: int
) -> None:
    """Of two drives with the same past, the one that counts more is never judged more mildly."""
    base = disk if worse is not M.ENDURANCE_USED else flash
    totals = dict.fromkeys(WORSE_UP, 0)
    life = Life()
    for grown, days in steps:
        for measure, count in grown.items():
            totals[measure] += count
        life.read(base(totals), timedelta(days=days))
    before, last = life.series[:-1], life.series[-1]
    counted_more = base({**totals, worse: totals[worse] + more})

    judgement = judge(before, counted_more, last.at, Moment.BETWEEN)
    assert judgement.verdict.severity >= last.verdict.severity


@given(
    st.lists(LOOKS, max_size=4),
    READINGS.filter(lambda reading: reading.route is not Route.SILENT),
    st.sampled_from([*OwnWarning, "another"]),
)
def test_another_bad_word_never_gives_a_milder_verdict(
    looks: list[tuple[HealthReading, Moment, int]], reading: HealthReading, warning: str
) -> None:
    """A warning, a failed self-test, or its word that it is failing can only make it worse."""
    before = lived(looks).series
    at = before[-1].at if before else MARCH_2027
    # A test under way is the log's whole content, and then an older log stands as it was.
    tests = (failed_test(Part.MOTOR), *reading.self_tests)
    worse = (
        replace(reading, warnings=(*reading.warnings, str(warning))),
        replace(reading, says=OwnWord.FAILING),
        *([replace(reading, self_tests=tests)] if reading.self_tests else []),
    )

    mild = judge(before, reading, at, Moment.BETWEEN).verdict
    for one in worse:
        assert judge(before, one, at, Moment.BETWEEN).verdict.severity >= mild.severity


def test_a_series_of_thousands_is_judged_in_one_piece() -> None:
    """A drive that stays attached is asked for years; its first hour is still remembered."""
    hour = timedelta(hours=1)
    series = [
        HealthEntry(
            K07, MARCH_2027 + hour * n, Moment.BETWEEN, None, disk({M.POWER_ON_HOURS: n}), FIT
        )
        for n in range(3000)
    ]
    reading = disk({M.POWER_ON_HOURS: 3000, M.MOVED_SECTORS: 2})

    judgement = judge(series, reading, MARCH_2027 + hour * 3000, Moment.BETWEEN)
    assert sentences(judgement) == ["2 sectors moved to spares since earlier that day."]
