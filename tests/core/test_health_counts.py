"""What follows from counts: those that stand, those that have settled, those that grow."""

from __future__ import annotations

from datetime import timedelta

import pytest

from refreshd.health_cards import Measure, Moment, Part, Verdict
from tests.health_lives import (
    YEAR,
    Life,
    bridged,
    disk,
    flash,
    judged,
    line_about,
    sentences,
    without,
)

FIT, WATCH = Verdict.FIT, Verdict.WATCH
COPY_OFF, DO_NOT_WRITE = Verdict.COPY_OFF, Verdict.DO_NOT_WRITE
M = Measure

LIVES = [
    # measure, what it was in yearly readings, verdict, part, sentence
    (M.MOVED_SECTORS, (1,), WATCH, Part.COATING,
     "1 sector moved to spares; there is no earlier reading to compare with."),
    (M.MOVED_SECTORS, (49,), WATCH, Part.COATING,
     "49 sectors moved to spares; there is no earlier reading to compare with."),
    (M.MOVED_SECTORS, (50,), COPY_OFF, Part.COATING,
     "50 sectors moved to spares; there is no earlier reading to compare with."),
    (M.MOVED_SECTORS, (12, 12), WATCH, Part.COATING,
     "12 sectors moved to spares, unchanged since March 2027."),
    (M.MOVED_SECTORS, (12, 12, 12), FIT, Part.COATING,
     "12 sectors moved to spares, unchanged since March 2027."),
    (M.MOVED_SECTORS, (50, 50, 50), WATCH, Part.COATING,
     "50 sectors moved to spares, unchanged since March 2027."),
    (M.MOVED_SECTORS, (0, 12), WATCH, Part.COATING,
     "12 sectors moved to spares since March 2027."),
    (M.MOVED_SECTORS, (0, 50), COPY_OFF, Part.COATING,
     "50 sectors moved to spares since March 2027."),
    (M.MOVED_SECTORS, (2, 14), WATCH, Part.COATING,
     "12 sectors moved to spares since March 2027, 14 in all."),
    (M.MOVED_SECTORS, (2, 2, 2, 3, 3), WATCH, Part.COATING,
     "1 sector moved to spares since March 2029, 3 in all."),
    (M.MOVED_SECTORS, (0, 2, 3), COPY_OFF, Part.COATING,
     "3 sectors moved to spares since March 2027."),
    (M.WAITING_SECTORS, (4,), WATCH, Part.COATING,
     "4 sectors waiting to be moved; there is no earlier reading to compare with."),
    (M.WAITING_SECTORS, (50,), COPY_OFF, Part.COATING,
     "50 sectors waiting to be moved; there is no earlier reading to compare with."),
    (M.WAITING_SECTORS, (4, 4, 4), WATCH, Part.COATING,
     "4 sectors waiting to be moved, unchanged since March 2027."),
    (M.WAITING_SECTORS, (4, 3), WATCH, Part.COATING,
     "3 sectors waiting to be moved, down from 4 in March 2027."),
    (M.WAITING_SECTORS, (4, 5), DO_NOT_WRITE, Part.COATING,
     ("1 sector waiting to be moved since March 2027, 5 in all. "
     "What was written there cannot be read.")),
    (M.BAD_SECTORS, (0, 2), DO_NOT_WRITE, Part.COATING,
     ("2 sectors that the drive itself found unreadable since March 2027. "
     "What was written there cannot be read.")),
    (M.REPORTED_ERRORS, (0, 3), WATCH, Part.COATING,
     "3 unreadable sectors reported to a host since March 2027."),
    (M.REPORTED_ERRORS, (0, 3, 4), COPY_OFF, Part.COATING,
     "4 unreadable sectors reported to a host since March 2027."),
    (M.START_RETRIES, (1,), COPY_OFF, Part.STARTING,
     "1 spin-up that had to be tried again; there is no earlier reading to compare with."),
    (M.START_RETRIES, (1, 1, 1), WATCH, Part.STARTING,
     "1 spin-up that had to be tried again, unchanged since March 2027."),
    (M.START_RETRIES, (0, 2), COPY_OFF, Part.STARTING,
     ("2 spin-ups that had to be tried again since March 2027. "
     "Each start may be its last: do not stop it before its content is elsewhere.")),
    (M.START_FAILURES, (0, 1), COPY_OFF, Part.STARTING,
     ("1 failed start of the spindle since March 2027. "
     "Each start may be its last: do not stop it before its content is elsewhere.")),
    (M.PATH_ERRORS, (900,), FIT, Part.ELECTRONICS,
     "900 transfer errors on the cable; there is no earlier reading to compare with."),
    (M.PATH_ERRORS, (0, 17), WATCH, Part.ELECTRONICS,
     ("17 transfer errors on the cable since March 2027. "
     "Try another cable or dock first: the drive need not be the cause.")),
    (M.PATH_ERRORS, (0, 17, 17), FIT, Part.ELECTRONICS,
     "17 transfer errors on the cable, unchanged since March 2028."),
    (M.RESETS, (0, 9), FIT, Part.ELECTRONICS, "9 resets in mid-command since March 2027."),
    (M.RESETS, (0, 10), WATCH, Part.ELECTRONICS, "10 resets in mid-command since March 2027."),
    (M.MINUTES_TOO_HOT, (0, 75), WATCH, None,
     "75 minutes above the drive's temperature limit since March 2027. It wants more air."),
    (M.MINUTES_TOO_HOT, (0, 75, 75), FIT, None,
     "75 minutes above the drive's temperature limit, unchanged since March 2028."),
    (M.MINUTES_TOO_COLD, (0, 1), WATCH, None,
     ("1 minute below the drive's temperature limit since March 2027. "
     "Let it come to room temperature before it is given power.")),
]  # fmt: skip


@pytest.mark.parametrize(("measure", "values", "verdict", "part", "sentence"), LIVES)
def test_a_count_means_what_its_life_says(
    measure: Measure, values: tuple[int, ...], verdict: Verdict, part: Part | None, sentence: str
) -> None:
    """
    Old and still is milder than new, and new is milder than growing.

    Thresholds: first reallocations and scan errors raise the failure rate (Pinheiro and others,
    FAST'07, from memory); more than 80 % of affected disks have fewer than 50 bad sectors
    (Bairavasundaram and others, SIGMETRICS'07, seen-2nd); the rest common practice, no source.
    """
    judgement = judged(*(disk({measure: value}) for value in values))

    line = line_about(judgement, sentence)
    assert line.sentence == sentence
    assert (line.verdict, line.part) == (verdict, part)
    assert judgement.verdict is verdict


MANY = {M.RESETS: 10}
"""From how many on there are many; 50 of all others."""

WEIGHTS = [
    # measure; settled: few, many; there at first sight: few, many; growing: few, many
    (M.MOVED_SECTORS, (FIT, WATCH), (WATCH, COPY_OFF), (WATCH, COPY_OFF)),
    (M.WAITING_SECTORS, (WATCH, WATCH), (WATCH, COPY_OFF), (DO_NOT_WRITE, DO_NOT_WRITE)),
    (M.BAD_SECTORS, (WATCH, WATCH), (WATCH, COPY_OFF), (DO_NOT_WRITE, DO_NOT_WRITE)),
    (M.REPORTED_ERRORS, (FIT, WATCH), (WATCH, COPY_OFF), (WATCH, COPY_OFF)),
    (M.UNCORRECTED_READS, (FIT, WATCH), (WATCH, COPY_OFF), (DO_NOT_WRITE, DO_NOT_WRITE)),
    (M.UNCORRECTED_WRITES, (FIT, WATCH), (WATCH, COPY_OFF), (DO_NOT_WRITE, DO_NOT_WRITE)),
    (M.UNCORRECTED_VERIFIES, (FIT, WATCH), (WATCH, COPY_OFF), (DO_NOT_WRITE, DO_NOT_WRITE)),
    (M.MEDIA_ERRORS, (FIT, WATCH), (WATCH, COPY_OFF), (DO_NOT_WRITE, DO_NOT_WRITE)),
    (M.START_RETRIES, (WATCH, WATCH), (COPY_OFF, COPY_OFF), (COPY_OFF, COPY_OFF)),
    (M.START_FAILURES, (WATCH, WATCH), (COPY_OFF, COPY_OFF), (COPY_OFF, COPY_OFF)),
    (M.PATH_ERRORS, (FIT, FIT), (FIT, FIT), (WATCH, WATCH)),
    (M.RESETS, (FIT, FIT), (FIT, FIT), (FIT, WATCH)),
    (M.MINUTES_TOO_HOT, (FIT, FIT), (FIT, FIT), (WATCH, WATCH)),
    (M.MINUTES_TOO_COLD, (FIT, FIT), (FIT, FIT), (WATCH, WATCH)),
]


@pytest.mark.parametrize(("measure", "settled", "standing", "growing"), WEIGHTS)
def test_few_and_many_weigh_as_the_table_says(
    measure: Measure,
    settled: tuple[Verdict, Verdict],
    standing: tuple[Verdict, Verdict],
    growing: tuple[Verdict, Verdict],
) -> None:
    """One sector less than many is few, in each of the three ways in which a count can be."""
    many = MANY.get(measure, 50)
    for number, which in ((many - 1, 0), (many, 1)):
        one = disk({measure: number})

        assert judged(one, one, one).verdict is settled[which]
        assert judged(one).verdict is standing[which]
        assert judged(disk(), disk({measure: 0}), one).verdict is growing[which]


def test_sectors_that_wait_beside_none_that_moved_are_said_alone() -> None:
    """Nobody reads that 0 sectors were moved; one that was moved stands beside those that wait."""
    assert sentences(judged(disk({M.WAITING_SECTORS: 4}))) == [
        "4 sectors waiting to be moved; there is no earlier reading to compare with."
    ]
    assert sentences(judged(disk({M.WAITING_SECTORS: 4, M.MOVED_SECTORS: 1}))) == [
        "1 sector moved to spares, 4 waiting; there is no earlier reading to compare with."
    ]


@pytest.mark.parametrize(
    ("measure", "values", "verdict"),
    [
        (M.MEDIA_ERRORS, (3,), WATCH),
        (M.MEDIA_ERRORS, (50,), COPY_OFF),
        (M.MEDIA_ERRORS, (3, 3, 3), FIT),
        (M.MEDIA_ERRORS, (0, 1), DO_NOT_WRITE),
    ],
)
def test_errors_of_an_nvme_medium_are_of_its_cells(
    measure: Measure, values: tuple[int, ...], verdict: Verdict
) -> None:
    """What an NVMe drive could not mend is lost content, and it grows in the cells."""
    judgement = judged(*(flash({measure: value}) for value in values))

    line = line_about(judgement, "of data or medium that could not be mended")
    assert (line.verdict, line.part) == (verdict, Part.CELLS)


@pytest.mark.parametrize(
    "measure", [M.UNCORRECTED_READS, M.UNCORRECTED_WRITES, M.UNCORRECTED_VERIFIES]
)
def test_uncorrected_errors_of_a_scsi_drive_that_grow_forbid_writing(measure: Measure) -> None:
    """A SCSI drive counts no waiting sectors: its uncorrected errors are all there is."""
    grown = judged(bridged({measure: 0}), bridged({measure: 1}))
    old = judged(*[bridged({measure: 1})] * 3)

    assert grown.verdict is DO_NOT_WRITE
    assert old.verdict is FIT


def test_reported_errors_forbid_writing_where_no_waiting_sectors_are_counted() -> None:
    """Where a drive does not say which sectors wait, what it reported to hosts has to do."""
    readings = [without(disk({M.REPORTED_ERRORS: n}), M.WAITING_SECTORS) for n in (0, 1)]

    assert judged(*readings).verdict is DO_NOT_WRITE


def test_moved_and_waiting_sectors_stand_in_one_sentence() -> None:
    """The sentence tells both: what the drive gave up, and what it has yet to."""
    now = {M.MOVED_SECTORS: 12, M.WAITING_SECTORS: 4}
    judgement = judged(disk({M.WAITING_SECTORS: 4}), disk(now))

    assert sentences(judgement) == ["12 sectors moved to spares since March 2027, 4 waiting."]
    assert judgement.verdict is WATCH


def test_sectors_that_settled_do_not_hide_those_that_wait() -> None:
    """Old moved sectors alone are no reason to watch; a waiting one beside them is."""
    judgement = judged(*[disk({M.MOVED_SECTORS: 3, M.WAITING_SECTORS: 1})] * 3)

    assert sentences(judgement) == [
        "3 sectors moved to spares, unchanged since March 2027, 1 waiting."
    ]
    assert judgement.verdict is WATCH


def test_sectors_that_wait_anew_have_a_line_of_their_own() -> None:
    """What forbids writing is said by itself, whatever else was moved."""
    judgement = judged(disk(), disk({M.MOVED_SECTORS: 12, M.WAITING_SECTORS: 4}))

    assert sentences(judgement) == [
        "4 sectors waiting to be moved since March 2027. What was written there cannot be read.",
        "12 sectors moved to spares since March 2027, 4 waiting.",
    ]
    assert judgement.verdict is DO_NOT_WRITE


def test_sectors_of_a_drive_without_rotation_are_cells() -> None:
    """An ATA drive says by its rotation of 1 that it is flash; so does one that counts wear."""
    still = {M.ROTATIONS_PER_MINUTE: 1, M.MOVED_SECTORS: 2}
    worn = {M.ROTATIONS_PER_MINUTE: 0, M.MOVED_SECTORS: 2, M.ENDURANCE_USED: 1}

    assert line_about(judged(disk(still)), "moved").part is Part.CELLS
    assert line_about(judged(disk(worn)), "moved").part is Part.CELLS
    assert line_about(judged(disk({M.MOVED_SECTORS: 2})), "moved").part is Part.COATING


def test_the_readings_before_and_after_one_pass_are_one_visit() -> None:
    """Two rises on two days are one event; a month later they are two."""
    for days, verdict in ((2, WATCH), (29, WATCH), (30, COPY_OFF)):
        life = Life()
        life.read(disk())
        life.read(disk({M.MOVED_SECTORS: 1}), YEAR, Moment.BEFORE)
        life.read(disk({M.MOVED_SECTORS: 2}), timedelta(days=days), Moment.AFTER)

        assert life.verdict is verdict, days


def test_a_rise_long_ago_and_one_now_are_not_taken_together() -> None:
    """Two rises belong together within two refreshes of three years each, and no longer."""
    for first_to_now, verdict in ((6 * 365 + 1, COPY_OFF), (6 * 365 + 2, WATCH)):
        life = Life()
        life.read(disk())
        life.read(disk({M.MOVED_SECTORS: 1}), YEAR)
        life.read(disk({M.MOVED_SECTORS: 1}), timedelta(days=5 * 365))
        life.read(disk({M.MOVED_SECTORS: 2}), timedelta(days=first_to_now - 5 * 365))

        assert life.verdict is verdict, first_to_now


@pytest.mark.parametrize(("days", "verdict"), [(729, DO_NOT_WRITE), (730, WATCH)])
def test_what_grew_stands_against_a_drive_for_two_years(days: int, verdict: Verdict) -> None:
    """A count settles when it has stood still for two years; common practice, no source."""
    life = Life()
    life.read(disk())
    life.read(disk({M.WAITING_SECTORS: 4}), YEAR)
    life.read(disk({M.WAITING_SECTORS: 4}), timedelta(days=days))

    assert life.verdict is verdict


@pytest.mark.parametrize(("days", "verdict"), [(729, WATCH), (730, FIT)])
def test_what_grew_is_of_the_past_after_two_years(days: int, verdict: Verdict) -> None:
    """A few sectors that were moved two years ago to the day, and none since, are settled."""
    life = Life()
    life.read(disk())
    life.read(disk({M.MOVED_SECTORS: 4}), YEAR)
    life.read(disk({M.MOVED_SECTORS: 4}), timedelta(days=days))

    assert life.verdict is verdict


@pytest.mark.parametrize(
    ("days", "sentence"),
    [
        (729, "2 sectors moved to spares since March 2027."),
        (730, "1 sector moved to spares since March 2028, 2 in all."),
    ],
)
def test_growth_is_counted_from_the_newest_reading_that_is_old_enough(
    days: int, sentence: str
) -> None:
    """What was there two years ago is no growth; what came since is."""
    life = Life()
    life.read(disk())
    life.read(disk({M.MOVED_SECTORS: 1}), YEAR)
    life.read(disk({M.MOVED_SECTORS: 2}), timedelta(days=days))

    assert life.line(Part.COATING).sentence == sentence


@pytest.mark.parametrize(("days", "verdict"), [(29, WATCH), (30, FIT)])
def test_what_another_cable_cures_is_over_with_the_next_visit(days: int, verdict: Verdict) -> None:
    """Errors of the path settle after a month without new ones."""
    life = Life()
    life.read(disk())
    life.read(disk({M.PATH_ERRORS: 4}), YEAR)
    life.read(disk({M.PATH_ERRORS: 4}), timedelta(days=days))

    assert life.verdict is verdict


def test_sectors_that_wait_no_more_say_nothing() -> None:
    """Waiting sectors that were written are in order again, and the drive is judged without."""
    judgement = judged(disk(), disk({M.WAITING_SECTORS: 4}), disk())

    assert judgement.verdict is FIT


def test_a_sector_that_waits_again_grows() -> None:
    """Growth is counted from the least that was waiting, not from the most."""
    judgement = judged(
        disk({M.WAITING_SECTORS: 8}), disk({M.WAITING_SECTORS: 0}), disk({M.WAITING_SECTORS: 1})
    )

    assert judgement.verdict is DO_NOT_WRITE
    assert "1 sector waiting to be moved since March 2028" in sentences(judgement)[0]


def test_growth_within_a_pass_is_said_by_the_day() -> None:
    """Where a month says too little, the day or "earlier that day" does."""
    life = Life()
    life.read(disk(), moment=Moment.BEFORE)
    life.read(disk({M.WAITING_SECTORS: 1}), timedelta(hours=9), Moment.AFTER)

    assert life.verdict is DO_NOT_WRITE
    assert life.line(Part.COATING).sentence.startswith(
        "1 sector waiting to be moved since earlier that day"
    )
    life.read(disk({M.WAITING_SECTORS: 2}), timedelta(days=1))
    assert life.line(Part.COATING).sentence.startswith(
        "2 sectors waiting to be moved since 3 March 2027"
    )
