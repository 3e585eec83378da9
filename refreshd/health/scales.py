"""What a count means: how bad it is that it stands, and how bad it is that it grows.

One scale for each measure that is a count. Old and still is milder than old and never compared,
that is milder than growing, and many are never milder than few.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from refreshd.health import wording
from refreshd.health.history import SETTLED_AFTER, Era, Track
from refreshd.health_cards import EvidenceLine, Measure, Part, Route, Verdict

FIT, WATCH = Verdict.FIT, Verdict.WATCH
COPY_OFF, DO_NOT_WRITE = Verdict.COPY_OFF, Verdict.DO_NOT_WRITE

MANY_SECTORS = 50
"""Sectors from which a drive has many bad ones.

More than 80 % of the disks that had unreadable sectors had fewer (Bairavasundaram and others,
SIGMETRICS'07, s. 5.4-5.5, seen-2nd).
"""

MANY_RISES = 2
"""Visits at which a count had grown, from which it is growing and was no single event.

Own choice. That the first one counts at all: in a published fleet the first moved sector made a
drive 14 times, the first scan error 39 times likelier to fail within 60 days (Pinheiro, Weber,
Barroso, FAST'07, from memory).
"""

MANY_RESETS = 10
"""Resets in mid-command since last time that are no longer somebody pulling a plug; common
practice, no source."""

NOT_TURNING = 1
"""What ATA and SCSI give as rotation of a medium that does not turn (from memory)."""


class Weight(NamedTuple):
    """What follows from few, and from many."""

    few: Verdict
    many: Verdict


@dataclass(frozen=True, slots=True)
class Scale:
    """What follows from one count.

    `settled`: it has stood still for `settled_after`; `standing`: it is there; `growing`: it has
    grown, and then `advice` is given. `many_rises` None: rises are not counted.
    """

    measure: Measure
    part: Part | None
    settled: Weight
    standing: Weight
    growing: Weight
    many: int = MANY_SECTORS
    many_rises: int | None = None
    settled_after: timedelta = SETTLED_AFTER
    advice: str = ""

    def verdict(self, track: Track) -> Verdict:
        """Return what follows; a growing count is never milder than the same one standing."""
        if track.now <= 0:
            return FIT
        is_many = track.now >= self.many
        if track.is_settled:
            return self.settled.many if is_many else self.settled.few
        standing = self.standing.many if is_many else self.standing.few
        if track.grown <= 0:
            return standing
        return worst(standing, self.growing.many if self._grows_much(track) else self.growing.few)

    def _grows_much(self, track: Track) -> bool:
        is_often = self.many_rises is not None and track.rises >= self.many_rises
        return is_often or track.grown >= self.many


@dataclass(frozen=True, slots=True)
class Facts:
    """What a rule looks at: the readings that can be compared, the newest last.

    `looked_at`: when somebody lifted a hold after looking at what had been read until then.
    """

    era: Era
    looked_at: datetime | None = None

    @property
    def is_flash(self) -> bool:
        """Say whether charge in cells holds the bits; a drive that does not say turns."""
        reading = self.era.last.reading
        if reading.route is Route.NVME:
            return True
        rotation = self.era.track(Measure.ROTATIONS_PER_MINUTE)
        if rotation is not None and rotation.now:
            return rotation.now == NOT_TURNING
        return self.era.track(Measure.ENDURANCE_USED) is not None

    def track(self, measure: Measure, settled_after: timedelta = SETTLED_AFTER) -> Track | None:
        """Return one measure over time; None: it was never reported."""
        return self.era.track(measure, settled_after)

    def verdict(self, scale: Scale, track: Track) -> Verdict:
        """
        Return what follows from one count.

        Growth that was known when a hold was lifted forbids no writing any more: otherwise a
        sector that waits to be written could never be mended by that.
        """
        verdict, rise = scale.verdict(track), track.last_rise
        if verdict is not DO_NOT_WRITE or rise is None or not self.was_looked_at(rise):
            return verdict
        return COPY_OFF

    def was_looked_at(self, at: datetime) -> bool:
        """Say whether what was read at that time was known when a hold was lifted."""
        return self.looked_at is not None and at < self.looked_at

    def current(self, measure: Measure) -> int | None:
        """Return one measure of the last reading alone."""
        return self.era.last.reading.measures.get(measure)

    def line(self, part: Part | None, verdict: Verdict, text: str, *of: Track) -> EvidenceLine:
        """
        Return a line of evidence; it says so where a figure is not of the last reading.

        What is the coating in a disk are the cells in flash.
        """
        if part is Part.COATING and self.is_flash:
            part = Part.CELLS
        old = [track for track in of if track.at != self.era.last.at]
        if old:
            text = f"{text} (as reported in {wording.month(old[0].at)}, and not since)"
        return EvidenceLine(part, verdict, wording.sentence(text))


def worst(*verdicts: Verdict) -> Verdict:
    """Return the worst of some verdicts."""
    return max(verdicts, key=lambda verdict: verdict.severity)


def weigh(facts: Facts, scale: Scale) -> tuple[EvidenceLine, ...]:
    """Return what one count shows, or nothing where there is nothing to count."""
    track = facts.track(scale.measure, scale.settled_after)
    if track is None or track.now <= 0:
        return of_other_pages(facts, scale)
    text = counted_text(track)
    if scale.advice and track.grown > 0:
        text = f"{text}. {scale.advice}"
    line = facts.line(scale.part, facts.verdict(scale, track), text, track)
    return (line, *of_other_pages(facts, scale))


def of_other_pages(facts: Facts, scale: Scale) -> tuple[EvidenceLine, ...]:
    """Return what other pages showed, for a while: a drive gets no better by changing them."""
    tracks = facts.era.tracks(scale.measure, scale.settled_after)[1:]
    return tuple(
        facts.line(scale.part, facts.verdict(scale, track), counted_text(track), track)
        for track in tracks
        if facts.era.last.at - track.at < scale.settled_after
        and facts.verdict(scale, track).severity >= WATCH.severity
    )


def counted_text(track: Track, beside: str = "") -> str:
    """
    Return a count and what it did, such as ``12 sectors moved to spares since March 2027``.

    `beside` is said with it, such as ``, 4 waiting``.
    """
    if track.grown > 0:
        return _grown_text(track) + beside
    text = wording.amount(track.measure, track.now)
    if track.is_alone:
        return f"{text}{beside}; there is no earlier reading to compare with"
    if track.still_since == track.at:
        was = track.points[-2]
        return f"{text}, down from {was.value:,} {wording.back_in(was.at, track.at)}{beside}"
    return f"{text}, unchanged {wording.since(track.still_since, track.at)}{beside}"


def _grown_text(track: Track) -> str:
    least = track.least
    text = f"{wording.amount(track.measure, track.grown)} {wording.since(least.at, track.at)}"
    return text if track.grown == track.now else f"{text}, {wording.figure(track.now)} in all"
