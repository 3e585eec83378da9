"""What changed between two readings, and what a pass itself changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from refreshd.health import pass_changes
from refreshd.health.wording import NAMES, amount, back_in, since
from refreshd.health_cards import (
    HealthReading,
    Measure,
    Moment,
    OwnWarning,
    OwnWord,
    PageName,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
)
from tests.health_lives import (
    YEAR,
    Life,
    bridged,
    disk,
    failed_test,
    flash,
    judged,
    passed_test,
    silent,
    without,
)

M = Measure

CHANGES: list[tuple[HealthReading, HealthReading, tuple[str, ...]]] = [
    (disk(), disk({M.MOVED_SECTORS: 1}), ("1 sector moved to spares since March 2027.",)),
    (disk({M.MOVED_SECTORS: 2}), disk({M.MOVED_SECTORS: 14}),
     ("12 sectors moved to spares since March 2027, 14 in all.",)),
    (disk(), disk({M.WAITING_SECTORS: 1}),
     ("There is 1 sector waiting to be moved; in March 2027 there were 0.",)),
    (disk({M.WAITING_SECTORS: 1}), disk(),
     ("There are 0 sectors waiting to be moved; in March 2027 there was 1.",)),
    (disk({M.MOVED_SECTORS: 14}), disk({M.MOVED_SECTORS: 2}),
     (("The count of sectors moved to spares fell from 14 in March 2027 to 2: it began anew and is "
      "not compared."),)),
    (disk(), disk({M.POWER_ON_HOURS: 1141, M.POWER_CYCLES: 6}),
     ("1,041 hours of running, 1 power-on since March 2027.",)),
    (disk(), disk({M.POWER_ON_HOURS: 90, M.CELSIUS: 40}), ()),
    (flash(), flash({M.ENDURANCE_USED: 5, M.SPARE_LEFT: 99}),
     ("Rated endurance used: 5 %, in March 2027 3 %.",
      "Spare blocks left: 99 %, in March 2027 100 %.")),
    (disk({M.CELSIUS_HIGHEST: 41}), disk({M.CELSIUS_HIGHEST: 44}),
     ("Highest temperature ever: 44 °C, in March 2027 41 °C.",)),
    (disk(), replace(disk(), says=OwnWord.FAILING),
     ("The drive says of itself: failing; in March 2027 it said: passing.",)),
    (disk(), replace(disk(), says=OwnWord.NOT_SAID), ()),
    (replace(flash(), warnings=(str(OwnWarning.SPARE_LOW),)),
     replace(flash(), warnings=(str(OwnWarning.READ_ONLY),)),
     ("The drive warns anew: its medium takes no more writes.",
      "The drive warns no more: fewer spare blocks are left than it needs.")),
    (replace(disk(), self_tests=(passed_test(hours=1),)),
     replace(
         disk(),
         self_tests=(
             SelfTest(SelfTestKind.SHORT, SelfTestOutcome.UNDER_WAY, 130),
             SelfTest(SelfTestKind.OTHER, SelfTestOutcome.NOT_KNOWN),
             failed_test(hours=120),
             passed_test(hours=1),
         ),
     ),
     ("Extended self-test ended at 120 hours of running: failed.",
      "Self-test ended: unknown.")),
    (disk(), without(disk(), M.WAITING_SECTORS, M.MOVED_SECTORS, M.CELSIUS),
     (("Reported in March 2027, but not now: "
      "sectors waiting to be moved, sectors moved to spares."),)),
    (without(disk(), M.PATH_ERRORS), disk(),
     ("Reported now, but not in March 2027: transfer errors on the cable.",)),
    (replace(disk(), sources={M.MOVED_SECTORS: PageName.ATA_STATISTICS_03}),
     replace(disk({M.MOVED_SECTORS: 8}), sources={M.MOVED_SECTORS: PageName.ATA_SMART_DATA}),
     ("From other pages than in March 2027, and so not compared: sectors moved to spares.",)),
    (disk(), silent(), ("It answers nothing; in March 2027 it answered by ATA.",)),
    (silent(), disk(), ("It answers by ATA; in March 2027 it answered nothing.",)),
    (silent(), silent(), ()),
]  # fmt: skip


@pytest.mark.parametrize(("before", "after", "changes"), CHANGES)
def test_what_changed_is_said_and_nothing_else(
    before: HealthReading, after: HealthReading, changes: tuple[str, ...]
) -> None:
    """Each change has one sentence with its figures and the month it is counted from."""
    assert judged(before, after).changes == changes


def test_a_first_reading_has_no_changes() -> None:
    """There is nothing to compare it with."""
    assert judged(disk({M.MOVED_SECTORS: 12})).changes == ()


@pytest.mark.parametrize("measure", [*NAMES])
def test_every_count_has_a_name_for_one_and_for_several(measure: Measure) -> None:
    """Neither "1 sectors" nor "2 sector" stands in a sentence for an archivist."""
    one, several = amount(measure, 1), amount(measure, 1200)

    assert one.startswith("1 ")
    assert several.startswith("1,200 ")
    assert one[2:] != several[6:]


@pytest.mark.parametrize(
    ("measure", "sentence"),
    [
        (M.ENDURANCE_USED, "Rated endurance used: 34 %, in March 2027 33 %."),
        (M.SPARE_LEFT, "Spare blocks left: 34 %, in March 2027 33 %."),
        (M.SPARE_LEAST, "Least spare blocks: 34 %, in March 2027 33 %."),
        (M.CELSIUS_HIGHEST, "Highest temperature ever: 34 °C, in March 2027 33 °C."),
        (M.CELSIUS_LOWEST, "Lowest temperature ever: 34 °C, in March 2027 33 °C."),
        (
            M.CELSIUS_LIMIT,
            "Highest temperature allowed by the drive: 34 °C, in March 2027 33 °C.",
        ),
    ],
)
def test_every_figure_that_changed_is_said(measure: Measure, sentence: str) -> None:
    """Shares and temperatures stand with their units, before and after."""
    assert judged(flash({measure: 33}), flash({measure: 34})).changes == (sentence,)


@pytest.mark.parametrize("measure", [*NAMES])
def test_every_count_that_changed_is_said(measure: Measure) -> None:
    """No counter is left out, but the hours in which the heads fly: hours of running tell."""
    changes = judged(disk({measure: 0}), disk({measure: 700})).changes

    if measure is M.HEAD_FLYING_HOURS:
        assert changes == ()
    else:
        assert len(changes) == 1
        assert "700" in changes[0] or "600" in changes[0] or "695" in changes[0]


def test_a_pass_answers_for_what_changed_while_it_ran() -> None:
    """After a pass the changes are those since the reading before it."""
    life = Life()
    life.read(disk())
    life.read(disk({M.MOVED_SECTORS: 3}), YEAR, Moment.BEFORE, "K07/2")
    life.read(disk({M.MOVED_SECTORS: 4}), timedelta(hours=2), Moment.DURING, "K07/2")
    after = life.read(
        disk({M.MOVED_SECTORS: 7, M.POWER_ON_HOURS: 141}),
        timedelta(hours=40),
        Moment.AFTER,
        "K07/2",
    )

    assert after.changes == (
        "4 sectors moved to spares during the pass, 7 in all.",
        "41 hours of running during the pass.",
    )


def test_a_pass_that_was_interrupted_answers_for_all_of_it() -> None:
    """Its first reading counts, however often it was taken up again."""
    life = Life()
    life.read(disk(), timedelta(0), Moment.BEFORE, "K07/1")
    life.read(disk({M.MOVED_SECTORS: 1}), timedelta(hours=9), Moment.AFTER, "K07/1")
    life.read(disk({M.MOVED_SECTORS: 2}), YEAR, Moment.BEFORE, "K07/2")
    life.read(disk({M.MOVED_SECTORS: 5}), timedelta(days=2), Moment.BEFORE, "K07/2")
    after = life.read(disk({M.MOVED_SECTORS: 9}), timedelta(hours=9), Moment.AFTER, "K07/2")

    assert after.changes == ("7 sectors moved to spares during the pass, 9 in all.",)


def test_a_reading_after_a_pass_without_one_before_is_compared_with_the_last() -> None:
    """Where the drive was silent before the pass, the pass cannot be blamed."""
    life = Life()
    life.read(disk())
    life.read(silent(), YEAR, Moment.BEFORE, "K07/1")
    after = life.read(disk({M.MOVED_SECTORS: 1}), timedelta(hours=9), Moment.AFTER, "K07/1")

    assert after.changes == (
        "It answers by ATA; earlier that day it answered nothing.",
        "1 sector moved to spares since March 2027.",
    )


@pytest.mark.parametrize(
    ("before", "after", "changes"),
    [
        (disk(), disk(), ()),
        (silent(), disk({M.MOVED_SECTORS: 1}), ()),
        (disk(), silent(), ()),
        (disk({M.WAITING_SECTORS: 2}), disk({M.MOVED_SECTORS: 2}),
         ("There are 0 sectors waiting to be moved; before the pass there were 2.",
          "2 sectors moved to spares during the pass.")),
        (disk(), bridged({M.UNCORRECTED_READS: 9}),
         (("It answered by SCSI, before the pass by ATA: another dock or cable speaks for it, and "
          "the figures of the two are not compared."),)),
    ],
)  # fmt: skip
def test_two_readings_around_a_pass_are_told_without_dates(
    before: HealthReading, after: HealthReading, changes: tuple[str, ...]
) -> None:
    """Whoever has both readings need not have the series."""
    assert pass_changes(before, after) == changes


@pytest.mark.parametrize(
    ("then", "now", "said_since", "said_in"),
    [
        ((2027, 3, 3, 9), (2027, 3, 3, 23), "since earlier that day", "earlier that day"),
        ((2027, 3, 3, 9), (2027, 3, 31, 9), "since 3 March 2027", "on 3 March 2027"),
        ((2027, 3, 3, 9), (2027, 4, 1, 9), "since March 2027", "in March 2027"),
        ((2027, 2, 28, 9), (2027, 3, 27, 9), "since 28 February 2027", "on 28 February 2027"),
        ((2027, 2, 28, 9), (2027, 3, 28, 9), "since February 2027", "in February 2027"),
        ((2026, 12, 31, 9), (2031, 12, 1, 9), "since December 2026", "in December 2026"),
    ],
)
def test_a_time_is_said_by_the_month_unless_that_says_too_little(
    then: tuple[int, int, int, int], now: tuple[int, int, int, int], said_since: str, said_in: str
) -> None:
    """Within four weeks, or one month, it is the day."""
    times = datetime(*then, tzinfo=UTC), datetime(*now, tzinfo=UTC)

    assert (since(*times), back_in(*times)) == (said_since, said_in)


def test_months_are_english_wherever_the_program_runs() -> None:
    """The journal is read elsewhere, and years later."""
    names = [since(datetime(2020, month, 1, tzinfo=UTC), datetime(2027, 3, 3, tzinfo=UTC))
             for month in range(1, 13)]  # fmt: skip

    assert names[0] == "since January 2020"
    assert names[8] == "since September 2020"
    assert len(set(names)) == 12


def test_figures_compared_are_those_of_one_page() -> None:
    """What another page showed is kept for a while, and starts no growth on this one."""

    def seen(page: PageName, values: Mapping[Measure, int]) -> HealthReading:
        return replace(disk(values), sources=dict.fromkeys(values, page))

    life = Life()
    life.read(seen(PageName.ATA_STATISTICS_03, {M.WAITING_SECTORS: 0}))
    life.read(seen(PageName.ATA_STATISTICS_03, {M.WAITING_SECTORS: 4}), YEAR)
    one = life.read(seen(PageName.ATA_SMART_DATA, {M.WAITING_SECTORS: 32}), timedelta(days=729))
    assert [line.sentence for line in one.evidence] == [
        (
            "4 sectors waiting to be moved since March 2027 "
            "(as reported in March 2028, and not since)."
        ),
        "32 sectors waiting to be moved; there is no earlier reading to compare with.",
    ]
    other = life.read(seen(PageName.ATA_SMART_DATA, {M.WAITING_SECTORS: 32}), timedelta(days=1))
    assert [line.sentence for line in other.evidence] == [
        "32 sectors waiting to be moved, unchanged since 2 March 2030.",
    ]
