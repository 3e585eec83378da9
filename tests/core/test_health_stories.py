"""Lives of invented drives, from the first reading to the last, as an archivist would meet them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

import pytest

from refreshd.health_cards import (
    HealthReading,
    Measure,
    Moment,
    OwnWarning,
    OwnWord,
    Part,
    SelfTestKind,
    Verdict,
)
from tests.health_lives import (
    Life,
    bridged,
    disk,
    failed_test,
    flash,
    passed_test,
    silent,
    without,
)

FIT, WATCH, NOT_KNOWN = Verdict.FIT, Verdict.WATCH, Verdict.NOT_KNOWN
COPY_OFF, DO_NOT_WRITE = Verdict.COPY_OFF, Verdict.DO_NOT_WRITE
M = Measure
BEFORE, AFTER, BETWEEN = Moment.BEFORE, Moment.AFTER, Moment.BETWEEN


@dataclass(frozen=True)
class Chapter:
    """One reading: how many days after the one before, what follows, and what is told."""

    days: int
    reading: HealthReading
    verdict: Verdict
    part: Part | None = None
    told: str = ""
    moment: Moment = BETWEEN


def failing(reading: HealthReading) -> HealthReading:
    """Return a reading with the drive's own word that it is failing."""
    return replace(reading, says=OwnWord.FAILING)


AGEING_SLOWLY = (
    Chapter(0, disk({M.POWER_ON_HOURS: 2}), FIT),
    Chapter(365, disk({M.POWER_ON_HOURS: 50}), FIT),
    Chapter(1095, disk({M.POWER_ON_HOURS: 140, M.MOVED_SECTORS: 3}), WATCH, Part.COATING,
            "3 sectors moved to spares since March 2028."),
    Chapter(365, disk({M.POWER_ON_HOURS: 190, M.MOVED_SECTORS: 3}), WATCH, Part.COATING,
            "3 sectors moved to spares since March 2028."),
    Chapter(1095, disk({M.POWER_ON_HOURS: 280, M.MOVED_SECTORS: 3}), FIT, Part.COATING,
            "3 sectors moved to spares, unchanged since March 2031."),
    Chapter(1095, disk({M.POWER_ON_HOURS: 370, M.MOVED_SECTORS: 9}), WATCH, Part.COATING,
            "6 sectors moved to spares since March 2035, 9 in all."),
    Chapter(365, disk({M.POWER_ON_HOURS: 420, M.MOVED_SECTORS: 14}), COPY_OFF, Part.COATING,
            "11 sectors moved to spares since March 2035, 14 in all."),
)  # fmt: skip

HEAD_CRASH = (
    Chapter(0, disk({M.READ_RECOVERIES: 10, M.POWER_ON_HOURS: 1000}), FIT),
    Chapter(365, disk({M.READ_RECOVERIES: 14, M.POWER_ON_HOURS: 1040}), FIT, moment=BEFORE),
    Chapter(1, disk({M.READ_RECOVERIES: 900, M.POWER_ON_HOURS: 1064}), WATCH, Part.HEADS,
            "890 read recovery attempts since March 2027, at least 10 times as many", AFTER),
    Chapter(365, disk({M.READ_RECOVERIES: 2100, M.POWER_ON_HOURS: 1070, M.WAITING_SECTORS: 37}),
            DO_NOT_WRITE, Part.COATING, "37 sectors waiting to be moved since March 2028", BEFORE),
    Chapter(1, replace(
        disk({M.READ_RECOVERIES: 9100, M.POWER_ON_HOURS: 1090, M.WAITING_SECTORS: 911}),
        self_tests=(failed_test(Part.HEADS, kind=SelfTestKind.SHORT),)),
        DO_NOT_WRITE, Part.HEADS, "failed its short self-test", AFTER),
)  # fmt: skip

STICKING_AFTER_THREE_YEARS = (
    Chapter(0, disk(), FIT),
    Chapter(1, disk({M.POWER_ON_HOURS: 140}), FIT, moment=AFTER),
    Chapter(1096, disk({M.POWER_ON_HOURS: 141, M.START_RETRIES: 2}), COPY_OFF, Part.STARTING,
            "2 spin-ups that had to be tried again since March 2027. Each start may be its last",
            BEFORE),
    Chapter(2, silent("it did not come up"), COPY_OFF, Part.STARTING,
            "As read in March 2030: 2 spin-ups that had to be tried again since March 2027."),
)  # fmt: skip

DYING_BOARD = (
    Chapter(0, disk(), FIT),
    Chapter(365, disk({M.PATH_ERRORS: 40, M.RESETS: 12}), WATCH, Part.ELECTRONICS,
            "40 transfer errors on the cable since March 2027. Try another cable"),
    Chapter(30, disk({M.PATH_ERRORS: 95, M.RESETS: 31}), WATCH, Part.ELECTRONICS,
            "55 transfer errors on the cable since March 2028, 95 in all."),
    Chapter(30, replace(
        disk({M.PATH_ERRORS: 140, M.RESETS: 50}),
        self_tests=(failed_test(Part.ELECTRONICS, kind=SelfTestKind.SHORT),)),
        COPY_OFF, Part.ELECTRONICS, "failed its short self-test"),
    Chapter(30, failing(disk({M.PATH_ERRORS: 171, M.RESETS: 70})), DO_NOT_WRITE, None,
            "The drive itself says that it is failing."),
    Chapter(30, silent("it answers no command"), DO_NOT_WRITE, None,
            "It answers no question about itself"),
)  # fmt: skip

WORN_SSD = (
    Chapter(0, flash(), FIT),
    Chapter(365, flash({M.ENDURANCE_USED: 41, M.SPARE_LEFT: 97}), FIT),
    Chapter(730, flash({M.ENDURANCE_USED: 83, M.SPARE_LEFT: 84}), WATCH, Part.CELLS,
            "83 % of the writing that its cells are rated for is used up."),
    Chapter(365, flash({M.ENDURANCE_USED: 101, M.SPARE_LEFT: 60}), COPY_OFF, Part.CELLS,
            "101 % of the writing that its cells are rated for is used up."),
    Chapter(365, flash({M.ENDURANCE_USED: 118, M.SPARE_LEFT: 9}), COPY_OFF, Part.CELLS, ""),
    Chapter(365, replace(
        flash({M.ENDURANCE_USED: 118, M.SPARE_LEFT: 0, M.MEDIA_ERRORS: 3}),
        says=OwnWord.FAILING, warnings=(str(OwnWarning.READ_ONLY),)),
        DO_NOT_WRITE, Part.CELLS, "The drive warns: its medium takes no more writes."),
)  # fmt: skip

CABLE_TROUBLE = (
    Chapter(0, disk({M.PATH_ERRORS: 3}), FIT, Part.ELECTRONICS,
            "3 transfer errors on the cable; there is no earlier reading to compare with."),
    Chapter(365, disk({M.PATH_ERRORS: 460}), WATCH, Part.ELECTRONICS,
            "457 transfer errors on the cable since March 2027, 460 in all."),
    Chapter(365, disk({M.PATH_ERRORS: 460}), FIT, Part.ELECTRONICS,
            "460 transfer errors on the cable, unchanged since March 2028."),
)  # fmt: skip

DOCK_CHANGED = (
    Chapter(0, disk({M.MOVED_SECTORS: 2}), WATCH, Part.COATING, "no earlier reading"),
    Chapter(365, silent(), WATCH, Part.COATING, "As read in March 2027: 2 sectors moved"),
    Chapter(300, bridged(), WATCH, Part.COATING, "As read in March 2027 by ATA: 2 sectors moved"),
    Chapter(65, bridged(), FIT, None, "Nothing that it reports speaks against it"),
    Chapter(365, disk({M.MOVED_SECTORS: 2}), FIT, Part.COATING,
            "2 sectors moved to spares, unchanged since March 2027."),
    Chapter(365, disk({M.MOVED_SECTORS: 2, M.WAITING_SECTORS: 1}), DO_NOT_WRITE, Part.COATING,
            "1 sector waiting to be moved since March 2030."),
    Chapter(10, bridged(), DO_NOT_WRITE, Part.COATING,
            "As read in March 2031 by ATA: 1 sector waiting to be moved since March 2030."),
)  # fmt: skip

ANOTHER_DRIVE_BEHIND_THE_NUMBER = (
    Chapter(0, disk({M.POWER_ON_HOURS: 9_000, M.MOVED_SECTORS: 12}), WATCH),
    Chapter(365, disk({M.POWER_ON_HOURS: 30}), WATCH, None,
            "Its power-on hours went from 9,000 in March 2027 to 30 in March 2028. Another drive"),
    Chapter(365, disk({M.POWER_ON_HOURS: 80}), WATCH, None, "Another drive may be behind"),
    Chapter(365, disk({M.POWER_ON_HOURS: 120}), FIT, None, "Nothing that it reports"),
)  # fmt: skip

MENDED_BY_ITS_PASS = (
    Chapter(0, disk({M.WAITING_SECTORS: 2}), WATCH, Part.COATING, "2 sectors waiting", BEFORE),
    Chapter(1, disk({M.MOVED_SECTORS: 2}), WATCH, Part.COATING,
            "2 sectors moved to spares since 3 March 2027.", AFTER),
    Chapter(365, disk({M.MOVED_SECTORS: 2}), WATCH),
    Chapter(730, disk({M.MOVED_SECTORS: 2}), FIT, Part.COATING, "unchanged since March 2027"),
)  # fmt: skip

A_PAGE_THAT_BROKE = (
    Chapter(0, disk(), FIT),
    Chapter(365, disk({M.BAD_SECTORS: 5}), DO_NOT_WRITE),
    Chapter(365, without(disk(), *[one for one in M if one is not M.CELSIUS]), DO_NOT_WRITE,
            Part.COATING, "(as reported in March 2028, and not since)."),
)  # fmt: skip

FAILED_A_TEST_AND_PASSED_ANOTHER = (
    Chapter(0, disk(), FIT),
    Chapter(365, replace(disk(), self_tests=(failed_test(Part.COATING, 7),)), DO_NOT_WRITE),
    Chapter(30, replace(disk(), self_tests=(passed_test(), failed_test(Part.COATING, 7))), WATCH,
            Part.COATING, "it has passed one since"),
)  # fmt: skip

STORIES = {
    "ageing slowly": AGEING_SLOWLY,
    "head crash": HEAD_CRASH,
    "sticking heads after three years on the shelf": STICKING_AFTER_THREE_YEARS,
    "dying board": DYING_BOARD,
    "worn SSD": WORN_SSD,
    "cable trouble": CABLE_TROUBLE,
    "dock changed": DOCK_CHANGED,
    "another drive behind the number": ANOTHER_DRIVE_BEHIND_THE_NUMBER,
    "mended by its pass": MENDED_BY_ITS_PASS,
    "a page that broke": A_PAGE_THAT_BROKE,
    "failed a test and passed another": FAILED_A_TEST_AND_PASSED_ANOTHER,
}


@pytest.mark.parametrize("chapters", STORIES.values(), ids=STORIES.keys())
def test_a_drive_is_judged_over_the_years_as_its_story_says(chapters: Sequence[Chapter]) -> None:
    """The verdict follows what happened since, and the sentence says what and since when."""
    life = Life()
    for number, chapter in enumerate(chapters, start=1):
        begun = sum(one.moment is BEFORE for one in chapters[:number])
        life.read(chapter.reading, timedelta(days=chapter.days), chapter.moment, f"K07/{begun}")

        told = [line.sentence for line in life.series[-1].evidence if line.part is chapter.part]
        assert life.verdict is chapter.verdict, f"chapter {number}: {life.series[-1].evidence}"
        assert not chapter.told or any(chapter.told in one for one in told), f"{number}: {told}"
