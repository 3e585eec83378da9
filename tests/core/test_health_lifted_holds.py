"""What somebody looked at before lifting a hold, and what came after."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from refreshd.health_cards import HealthReading, Measure, OwnWord, Verdict
from tests.health_lives import Life, disk, failed_test

DAY = timedelta(days=1)


def waiting(sectors: int) -> HealthReading:
    """Return the reading of a disk with sectors that wait to be written."""
    return disk({Measure.WAITING_SECTORS: sectors})


def grown() -> Life:
    """Return the life of a disk in which sectors began to wait, and whose hold was lifted."""
    life = Life()
    life.read(waiting(0))
    life.read(waiting(2), after=DAY)
    life.looked_at = life.at + DAY / 2
    return life


def test_growth_that_was_looked_at_forbids_no_writing() -> None:
    """A sector that waits is mended by writing, so a lifted hold stays lifted for it."""
    found = grown().read(waiting(2), after=DAY)

    assert found.verdict is Verdict.COPY_OFF


def test_growth_after_the_look_forbids_writing_again() -> None:
    """What came after somebody looked was not looked at."""
    life = grown()
    life.read(waiting(2), after=DAY)

    assert life.read(waiting(3), after=DAY).verdict is Verdict.DO_NOT_WRITE


def test_growth_of_the_moment_of_the_look_counts_as_later() -> None:
    """The record counts whole seconds; in doubt it was not looked at."""
    life = Life()
    life.read(waiting(0))
    life.read(waiting(2), after=DAY)
    life.looked_at = life.at

    assert life.read(waiting(2), after=DAY).verdict is Verdict.DO_NOT_WRITE


def test_the_drive_s_own_word_stands_whoever_looked() -> None:
    """A drive that says it fails is not written to, however often a hold is lifted."""
    life = grown()

    found = life.read(replace(waiting(2), says=OwnWord.FAILING), after=DAY)

    assert found.verdict is Verdict.DO_NOT_WRITE


def test_a_failed_self_test_that_was_looked_at_forbids_no_writing() -> None:
    """Its log keeps a failed test for years; the sector may have been mended since."""
    life = Life()
    failed = replace(disk(), self_tests=(failed_test(sector=77),))
    assert life.read(failed).verdict is Verdict.DO_NOT_WRITE
    life.looked_at = life.at + DAY / 2

    assert life.read(failed, after=DAY).verdict is Verdict.COPY_OFF


def test_another_failed_self_test_after_the_look_forbids_writing() -> None:
    """A test that failed later was not looked at."""
    life = Life()
    first = failed_test(sector=77)
    life.read(replace(disk(), self_tests=(first,)))
    life.looked_at = life.at + DAY / 2
    later = replace(disk(), self_tests=(failed_test(sector=99, hours=200), first))

    assert life.read(later, after=DAY).verdict is Verdict.DO_NOT_WRITE
