"""What follows from what a drive says of itself, from its tests, wear, heat and age."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

import pytest

from refreshd.health_cards import (
    HealthReading,
    Measure,
    OwnWarning,
    OwnWord,
    Part,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Verdict,
)
from refreshd.pages import nvme
from tests.health_lives import (
    YEAR,
    Life,
    disk,
    failed_test,
    flash,
    judged,
    line_about,
    passed_test,
    sentences,
    without,
)

FIT, WATCH = Verdict.FIT, Verdict.WATCH
COPY_OFF, DO_NOT_WRITE = Verdict.COPY_OFF, Verdict.DO_NOT_WRITE
M = Measure


def saying(word: OwnWord) -> HealthReading:
    """Return a reading of a disk that is well but for its own word."""
    return replace(disk(), says=word)


def with_tests(*tests: SelfTest) -> HealthReading:
    """Return a reading of a disk that is well but for its own tests, the newest first."""
    return replace(disk(), self_tests=tests)


@pytest.mark.parametrize(
    ("words", "verdict", "sentence"),
    [
        ((OwnWord.FAILING,), DO_NOT_WRITE, "The drive itself says that it is failing."),
        ((OwnWord.FAILING, OwnWord.FAILING), DO_NOT_WRITE,
         "The drive itself says that it is failing, as it did in March 2027."),
        ((OwnWord.FAILING, OwnWord.NOT_SAID), DO_NOT_WRITE,
         "The drive itself said in March 2027 that it was failing, and has not taken it back."),
        ((OwnWord.FAILING, OwnWord.PASSING), COPY_OFF,
         ("The drive itself said in March 2027 that it was failing; it does not now, "
         "but drives do not heal.")),
        ((OwnWord.FAILING, *[OwnWord.PASSING] * 5), COPY_OFF,
         ("The drive itself said in March 2027 that it was failing; it does not now, "
         "but drives do not heal.")),
        ((OwnWord.FAILING, OwnWord.PASSING, OwnWord.NOT_SAID), COPY_OFF,
         ("The drive itself said in March 2027 that it was failing; it does not now, "
         "but drives do not heal.")),
    ],
)  # fmt: skip
def test_a_drive_that_says_that_it_is_failing_is_believed(
    words: tuple[OwnWord, ...], verdict: Verdict, sentence: str
) -> None:
    """What a drive said against itself is never forgotten, and never made up for by silence."""
    judgement = judged(*map(saying, words))

    assert (judgement.verdict, sentences(judgement)) == (verdict, [sentence])


@pytest.mark.parametrize(
    ("warning", "verdict", "part"),
    [
        (OwnWarning.SPARE_LOW, COPY_OFF, Part.CELLS),
        (OwnWarning.TEMPERATURE, WATCH, None),
        (OwnWarning.UNRELIABLE, DO_NOT_WRITE, Part.CELLS),
        (OwnWarning.READ_ONLY, DO_NOT_WRITE, Part.CELLS),
        (OwnWarning.BACKUP_FAILED, COPY_OFF, Part.ELECTRONICS),
        (OwnWarning.MEMORY_REGION, WATCH, Part.ELECTRONICS),
        ("something that no standard knows", WATCH, None),
    ],
)
def test_each_warning_of_a_drive_has_its_consequence(
    warning: str, verdict: Verdict, part: Part | None
) -> None:
    """A drive that took itself out of writing is not written to; an unknown word is watched."""
    judgement = judged(replace(flash(), warnings=(str(warning),)))

    line = line_about(judgement, "The drive warns: ")
    assert (judgement.verdict, line.verdict, line.part) == (verdict, verdict, part)
    assert line.sentence == f"The drive warns: {warning}."


def test_no_warning_of_the_standard_is_without_a_consequence() -> None:
    """A bit that is decoded, and weighed by nobody, would be heard as any noise."""
    reading = replace(flash(), warnings=tuple(OwnWarning))

    assert len(judged(reading).evidence) == len(OwnWarning)


@pytest.mark.parametrize(
    ("tests", "verdict", "part", "sentence"),
    [
        ((failed_test(Part.COATING, 123456),), DO_NOT_WRITE, Part.COATING,
         ("The drive failed its extended self-test at 100 hours of running: "
         "sector 123,456 could not be read.")),
        ((failed_test(None, 7),), DO_NOT_WRITE, Part.COATING,
         ("The drive failed its extended self-test at 100 hours of running: "
         "sector 7 could not be read.")),
        ((failed_test(Part.CELLS),), DO_NOT_WRITE, Part.CELLS,
         ("The drive failed its extended self-test at 100 hours of running: "
         "charge and wear of flash cells.")),
        ((failed_test(Part.MOTOR, hours=1),), COPY_OFF, Part.MOTOR,
         "The drive failed its extended self-test at 1 hour of running: motor or actuator."),
        ((failed_test(Part.HEADS),), COPY_OFF, Part.HEADS,
         "The drive failed its extended self-test at 100 hours of running: head contact."),
        ((failed_test(Part.ELECTRONICS, hours=None, kind=SelfTestKind.SHORT),), COPY_OFF,
         Part.ELECTRONICS, "The drive failed its short self-test: electronics and cable."),
        ((failed_test(kind=SelfTestKind.OTHER),), COPY_OFF, None,
         "The drive failed its self-test at 100 hours of running."),
        ((passed_test(), failed_test(None, 7)), WATCH, Part.COATING,
         ("The drive failed its extended self-test at 100 hours of running: "
         "sector 7 could not be read; it has passed one since.")),
    ],
)  # fmt: skip
def test_a_failed_self_test_names_what_failed(
    tests: tuple[SelfTest, ...], verdict: Verdict, part: Part | None, sentence: str
) -> None:
    """A test that met something unreadable forbids writing; another failure asks for a copy."""
    judgement = judged(with_tests(*tests))

    line = line_about(judgement, "self-test")
    assert (judgement.verdict, line.part, line.sentence) == (verdict, part, sentence)


@pytest.mark.parametrize(
    ("newer", "failed", "is_cleared"),
    [
        (SelfTestKind.EXTENDED, SelfTestKind.EXTENDED, True),
        (SelfTestKind.EXTENDED, SelfTestKind.SHORT, True),
        (SelfTestKind.EXTENDED, SelfTestKind.OTHER, True),
        (SelfTestKind.SHORT, SelfTestKind.SHORT, True),
        (SelfTestKind.SHORT, SelfTestKind.EXTENDED, False),
        (SelfTestKind.SHORT, SelfTestKind.OTHER, False),
        (SelfTestKind.OTHER, SelfTestKind.OTHER, False),
        (SelfTestKind.OTHER, SelfTestKind.SHORT, False),
    ],
)
def test_only_a_test_that_looked_at_as_much_makes_up_for_a_failure(
    newer: SelfTestKind, failed: SelfTestKind, *, is_cleared: bool
) -> None:
    """A short test that was passed says nothing of the sector that an extended one met."""
    judgement = judged(with_tests(passed_test(newer), failed_test(sector=7, kind=failed)))

    assert judgement.verdict is (WATCH if is_cleared else DO_NOT_WRITE)


def test_a_test_that_was_passed_before_makes_up_for_nothing() -> None:
    """The newest stands first; what was well before it failed is of no account."""
    assert judged(with_tests(failed_test(sector=7), passed_test())).verdict is DO_NOT_WRITE


def test_a_test_that_was_stopped_or_is_under_way_says_nothing() -> None:
    """A reset in mid-test is no fault of the drive."""
    tests = [
        SelfTest(SelfTestKind.SHORT, outcome, 100)
        for outcome in (SelfTestOutcome.STOPPED, SelfTestOutcome.UNDER_WAY)
    ]

    assert judged(with_tests(*tests)).verdict is FIT


def test_a_self_test_log_that_is_gone_forgets_no_failure() -> None:
    """A log that cannot be read any more stands as it was read last."""
    judgement = judged(with_tests(failed_test(Part.MOTOR)), disk())

    assert judgement.verdict is COPY_OFF
    assert line_about(judgement, "self-test").sentence == (
        "The drive failed its extended self-test at 100 hours of running: motor or actuator "
        "(as reported in March 2027, and not since)."
    )


FIGURES = [
    # reading, verdict, part, sentence; None: no line
    (flash({M.ENDURANCE_USED: 79}), FIT, Part.CELLS, None),
    (flash({M.ENDURANCE_USED: 80}), WATCH, Part.CELLS,
     "80 % of the writing that its cells are rated for is used up."),
    (flash({M.ENDURANCE_USED: 99}), WATCH, Part.CELLS,
     "99 % of the writing that its cells are rated for is used up."),
    (flash({M.ENDURANCE_USED: 100}), COPY_OFF, Part.CELLS,
     "100 % of the writing that its cells are rated for is used up."),
    (flash({M.SPARE_LEFT: 11}), FIT, Part.CELLS, None),
    (flash({M.SPARE_LEFT: 10}), COPY_OFF, Part.CELLS,
     "10 % of its spare blocks are left, and it needs more than 10 %."),
    (flash({M.SPARE_LEFT: 30, M.SPARE_LEAST: 30}), COPY_OFF, Part.CELLS,
     "30 % of its spare blocks are left, and it needs more than 30 %."),
    (without(flash({M.SPARE_LEFT: 11}), M.SPARE_LEAST), FIT, Part.CELLS, None),
    (without(flash({M.SPARE_LEFT: 10}), M.SPARE_LEAST), COPY_OFF, Part.CELLS,
     "10 % of its spare blocks are left, and it needs more than 10 %."),
    (disk({M.CELSIUS: 45}), FIT, None, None),
    (disk({M.CELSIUS: 46}), WATCH, None,
     "It was 46 °C hot when it was asked; it should be 45 °C at most."),
    (disk({M.CELSIUS: 41, M.CELSIUS_LIMIT: 40}), WATCH, None,
     "It was 41 °C hot when it was asked; it should be 40 °C at most."),
    (flash({M.CELSIUS: 70}), FIT, None, None),
    (flash({M.CELSIUS: 71}), WATCH, None,
     "It was 71 °C hot when it was asked; it should be 70 °C at most."),
    (flash({M.CELSIUS: 82, M.CELSIUS_LIMIT: 81}), WATCH, None,
     "It was 82 °C hot when it was asked; it should be 81 °C at most."),
    (disk({M.CELSIUS: 25}), FIT, None, None),
    (disk({M.CELSIUS: 24}), FIT, None,
     ("It was 24 °C warm, less than the usual 25 °C: in a published fleet young drives failed "
     "more often when cold.")),
    (disk({M.CELSIUS: 24, M.POWER_ON_HOURS: 17519}), FIT, None,
     ("It was 24 °C warm, less than the usual 25 °C: in a published fleet young drives failed "
     "more often when cold.")),
    (disk({M.CELSIUS: 24, M.POWER_ON_HOURS: 17520}), FIT, None,
     "It was 24 °C warm, less than the usual 25 °C."),
    (disk({M.CELSIUS: 5, M.POWER_ON_HOURS: 17520}), FIT, None,
     "It was 5 °C warm, less than the usual 25 °C."),
    (disk({M.CELSIUS: 4}), WATCH, None,
     "It was 4 °C cold when it was asked. Let it come to room temperature without power."),
    (flash({M.CELSIUS: 0}), FIT, None, None),
    (flash({M.CELSIUS: -1}), WATCH, None,
     "It was -1 °C cold when it was asked. Let it come to room temperature without power."),
    (disk({M.CELSIUS_HIGHEST: 60}), FIT, None, None),
    (disk({M.CELSIUS_HIGHEST: 61}), WATCH, None, "It was once 61 °C hot; 60 °C are allowed."),
    (disk({M.CELSIUS_HIGHEST: 56, M.CELSIUS_LIMIT: 55}), WATCH, None,
     "It was once 56 °C hot; 55 °C are allowed."),
    (disk({M.POWER_ON_HOURS: 43799}), FIT, Part.MOTOR, None),
    (disk({M.POWER_ON_HOURS: 43800}), WATCH, Part.MOTOR,
     "43,800 hours of running; drives are built for about 43,800."),
    (flash({M.POWER_ON_HOURS: 43800}), FIT, Part.MOTOR, None),
    (disk({M.SPINDLE_STARTS: 49_999}), FIT, Part.STARTING, None),
    (disk({M.SPINDLE_STARTS: 50_000}), WATCH, Part.STARTING,
     "50,000 spindle starts; drives are built for about 50,000."),
    (disk({M.HEAD_LOADS: 599_999}), FIT, Part.HEADS, None),
    (disk({M.HEAD_LOADS: 600_000}), WATCH, Part.HEADS,
     "600,000 loadings of the heads; drives are built for about 600,000."),
]  # fmt: skip


@pytest.mark.parametrize(("reading", "verdict", "part", "sentence"), FIGURES)
def test_a_figure_is_weighed_at_its_threshold(
    reading: HealthReading, verdict: Verdict, part: Part | None, sentence: str | None
) -> None:
    """
    Each threshold holds to the last unit.

    25 to 45 °C, the least spare and the shares of wear: common practice, no source, or from
    memory. 5 and 60 °C, 50,000 starts, 600,000 loads, five years: makers' specifications (seen).
    Young drives below 25 °C: Pinheiro and others, FAST'07 (seen-2nd).
    """
    judgement = judged(reading)

    assert judgement.verdict is verdict
    found = [line for line in judgement.evidence if "Nothing that it reports" not in line.sentence]
    if sentence is None:
        assert not found
    else:
        assert [(line.part, line.verdict, line.sentence) for line in found] == [
            (part, verdict, sentence)
        ]


@pytest.mark.parametrize(("left", "verdict"), [((100, 91), FIT), ((100, 90), WATCH)])
def test_spare_blocks_that_dwindle_are_watched(left: tuple[int, int], verdict: Verdict) -> None:
    """A tenth of the spare blocks gone since last time is worth a look."""
    judgement = judged(*(flash({M.SPARE_LEFT: value}) for value in left))

    assert judgement.verdict is verdict
    if verdict is WATCH:
        assert sentences(judgement) == [
            "90 % of its spare blocks are left, 10 % fewer than in March 2027."
        ]


def test_spare_blocks_that_dwindled_long_ago_are_left_in_peace() -> None:
    """What was lost once and then stood still for two years says nothing more."""
    life = Life()
    life.read(flash())
    life.read(flash({M.SPARE_LEFT: 80}), YEAR)
    life.read(flash({M.SPARE_LEFT: 80}), timedelta(days=730))

    assert life.verdict is FIT


def test_heat_of_old_is_no_reason_to_watch() -> None:
    """A drive that was too hot once, and not hotter since, is fit; the sentence stays."""
    judgement = judged(*[disk({M.CELSIUS_HIGHEST: 63})] * 2)

    assert judgement.verdict is FIT
    assert "It was once 63 °C hot; 60 °C are allowed." in sentences(judgement)


REREAD = [
    # recoveries and hours before, recoveries and hours now, is it worth a line
    ((100, 1000), (200, 1100), True),  # 0.1 an hour, then 1 an hour: ten times
    ((100, 1000), (199, 1099), False),  # 99 are too few to tell
    ((101, 1000), (201, 1100), False),  # a little less than ten times
    ((0, 1000), (100, 1100), True),
    ((0, 0), (100, 100), False),  # it has not run yet: there is no rate before
    ((100, 1000), (200, 1000), False),  # no hour has passed: there is no rate now
]


@pytest.mark.parametrize(("before", "now", "is_said"), REREAD)
@pytest.mark.parametrize("measure", [M.READ_RECOVERIES, M.CORRECTED_BY_REREADING])
def test_readings_repeated_ten_times_as_often_point_to_the_heads(
    before: tuple[int, int], now: tuple[int, int], measure: Measure, *, is_said: bool
) -> None:
    """Repeated readings are weighed by the hour of running; common practice, no source."""
    judgement = judged(
        *(disk({measure: count, M.POWER_ON_HOURS: hours}) for count, hours in (before, now))
    )

    assert judgement.verdict is (WATCH if is_said else FIT)
    if is_said:
        line = line_about(judgement, "at least 10 times as many an hour as before")
        assert line.part is Part.HEADS
        assert "100 read" in line.sentence
        assert "since March 2027" in line.sentence


@pytest.mark.parametrize("lost", [M.POWER_ON_HOURS, M.READ_RECOVERIES])
def test_without_hours_nothing_is_said_of_repeated_readings(lost: Measure) -> None:
    """A rate without a time would be made up."""
    values: tuple[Mapping[Measure, int], ...] = (
        {M.READ_RECOVERIES: 0},
        {M.READ_RECOVERIES: 900, M.POWER_ON_HOURS: 140},
    )

    assert judged(*(without(disk(value), lost) for value in values)).verdict is FIT


def test_the_evidence_is_sorted_by_what_fails_in_a_drive() -> None:
    """What is of no part stands first, then the parts in their order, the worst first in each."""
    reading = replace(
        disk(
            {
                M.PATH_ERRORS: 3, M.START_RETRIES: 1, M.WAITING_SECTORS: 60, M.MOVED_SECTORS: 3,
                M.HEAD_LOADS: 700_000, M.POWER_ON_HOURS: 50_000, M.CELSIUS: 51,
            }
        ),
        says=OwnWord.FAILING,
    )  # fmt: skip

    evidence = judged(reading).evidence
    assert [(line.part, line.verdict) for line in evidence] == [
        (None, DO_NOT_WRITE),
        (None, WATCH),
        (Part.COATING, COPY_OFF),
        (Part.COATING, WATCH),
        (Part.HEADS, WATCH),
        (Part.STARTING, COPY_OFF),
        (Part.MOTOR, WATCH),
        (Part.ELECTRONICS, FIT),
    ]


def test_the_words_of_a_warning_are_those_that_are_weighed() -> None:
    """A bit is decoded in one module and weighed in another: by the same words, or not at all."""
    page = bytes([0b0011_1111, *range(1, 256), *range(256)])

    assert sorted(nvme.health(page).warnings) == sorted(OwnWarning)
