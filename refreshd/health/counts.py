"""The rules about counts: what can grow, by what fails in a drive."""

from __future__ import annotations

from dataclasses import replace

from refreshd.health import wording
from refreshd.health.history import ONE_VISIT
from refreshd.health.scales import (
    COPY_OFF,
    DO_NOT_WRITE,
    FIT,
    MANY_RESETS,
    MANY_RISES,
    WATCH,
    Facts,
    Scale,
    Weight,
    counted_text,
    of_other_pages,
    weigh,
    worst,
)
from refreshd.health_cards import EvidenceLine, Measure, Part

Lines = tuple[EvidenceLine, ...]

WHAT_IS_LOST = "What was written there cannot be read"

MOVED = Scale(
    Measure.MOVED_SECTORS,
    Part.COATING,
    settled=Weight(FIT, WATCH),
    standing=Weight(WATCH, COPY_OFF),
    growing=Weight(WATCH, COPY_OFF),
    many_rises=MANY_RISES,
)
WAITING = Scale(
    Measure.WAITING_SECTORS,
    Part.COATING,
    settled=Weight(WATCH, WATCH),
    standing=Weight(WATCH, COPY_OFF),
    growing=Weight(DO_NOT_WRITE, DO_NOT_WRITE),
    advice=WHAT_IS_LOST,
)
BAD = replace(WAITING, measure=Measure.BAD_SECTORS)
REPORTED = replace(MOVED, measure=Measure.REPORTED_ERRORS)
UNCORRECTED_READS = Scale(
    Measure.UNCORRECTED_READS,
    Part.COATING,
    settled=Weight(FIT, WATCH),
    standing=Weight(WATCH, COPY_OFF),
    growing=Weight(DO_NOT_WRITE, DO_NOT_WRITE),
)
UNCORRECTED_WRITES = replace(UNCORRECTED_READS, measure=Measure.UNCORRECTED_WRITES)
UNCORRECTED_VERIFIES = replace(UNCORRECTED_READS, measure=Measure.UNCORRECTED_VERIFIES)
MEDIA_ERRORS = replace(UNCORRECTED_READS, measure=Measure.MEDIA_ERRORS)
START_FAILURES = Scale(
    Measure.START_FAILURES,
    Part.STARTING,
    settled=Weight(WATCH, WATCH),
    standing=Weight(COPY_OFF, COPY_OFF),
    growing=Weight(COPY_OFF, COPY_OFF),
    advice="Each start may be its last: do not stop it before its content is elsewhere",
)
START_RETRIES = replace(START_FAILURES, measure=Measure.START_RETRIES)
PATH_ERRORS = Scale(
    Measure.PATH_ERRORS,
    Part.ELECTRONICS,
    settled=Weight(FIT, FIT),
    standing=Weight(FIT, FIT),
    growing=Weight(WATCH, WATCH),
    settled_after=ONE_VISIT,
    advice="Try another cable or dock first: the drive need not be the cause",
)
RESETS = replace(
    PATH_ERRORS,
    measure=Measure.RESETS,
    growing=Weight(FIT, WATCH),
    many=MANY_RESETS,
    advice="",
)
TOO_HOT = Scale(
    Measure.MINUTES_TOO_HOT,
    None,
    settled=Weight(FIT, FIT),
    standing=Weight(FIT, FIT),
    growing=Weight(WATCH, WATCH),
    settled_after=ONE_VISIT,
    advice="It wants more air",
)
TOO_COLD = replace(
    TOO_HOT,
    measure=Measure.MINUTES_TOO_COLD,
    advice="Let it come to room temperature before it is given power",
)


def moved_sectors(facts: Facts) -> Lines:
    """Sectors that the drive gave up and replaced by spares, with those that still wait."""
    track = facts.track(Measure.MOVED_SECTORS)
    waiting = facts.track(Measure.WAITING_SECTORS)
    if track is None or track.now <= 0 or waiting is None or waiting.now <= 0:
        return weigh(facts, MOVED)
    text = counted_text(track, f", {wording.figure(waiting.now)} waiting")
    verdict = worst(MOVED.verdict(track), WAITING.standing.few)
    line = facts.line(MOVED.part, verdict, text, track, waiting)
    return (line, *of_other_pages(facts, MOVED))


def waiting_sectors(facts: Facts) -> Lines:
    """Sectors that could not be read and wait to be written, unless said with the moved ones."""
    lines = weigh(facts, WAITING)
    moved = facts.track(Measure.MOVED_SECTORS)
    is_said = moved is not None and moved.now > 0
    return tuple(line for line in lines if not is_said or line.verdict is not WATCH)


def bad_sectors(facts: Facts) -> Lines:
    """Sectors that a scan of the drive's own could not read."""
    return weigh(facts, BAD)


def reported_errors(facts: Facts) -> Lines:
    """
    Unreadable sectors that were reported to a host.

    One sector that is asked for five times counts five. Where the drive counts the sectors that
    wait, those tell whether there are more of them; where it does not, this alone tells.
    """
    scale = REPORTED
    if facts.track(Measure.WAITING_SECTORS) is None:
        scale = replace(REPORTED, growing=Weight(DO_NOT_WRITE, DO_NOT_WRITE))
    return weigh(facts, scale)


def uncorrected_errors(facts: Facts) -> Lines:
    """What a SCSI drive could not read, write or verify in spite of all its means."""
    scales = (UNCORRECTED_READS, UNCORRECTED_WRITES, UNCORRECTED_VERIFIES)
    return tuple(line for scale in scales for line in weigh(facts, scale))


def media_errors(facts: Facts) -> Lines:
    """What an NVMe drive could not read or keep whole."""
    return weigh(facts, MEDIA_ERRORS)


def start_failures(facts: Facts) -> Lines:
    """Starts at which the spindle did not come up to speed."""
    return weigh(facts, START_FAILURES)


def start_retries(facts: Facts) -> Lines:
    """Starts that had to be tried again: heads that stick, or a motor that grows weak."""
    return weigh(facts, START_RETRIES)


def path_errors(facts: Facts) -> Lines:
    """Errors on the way between drive and host, found by its checksum."""
    return weigh(facts, PATH_ERRORS)


def resets(facts: Facts) -> Lines:
    """Resets while the drive was at work; unplugging counts, so a few say nothing."""
    return weigh(facts, RESETS)


def time_too_hot(facts: Facts) -> Lines:
    """Minutes above the limit that the drive itself gives."""
    return weigh(facts, TOO_HOT)


def time_too_cold(facts: Facts) -> Lines:
    """Minutes below the limit that the drive itself gives."""
    return weigh(facts, TOO_COLD)
