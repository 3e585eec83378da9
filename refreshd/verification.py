"""
Reads a journal line by line and says which record was edited, removed, inserted or moved.

One line at a time is in memory; of an untouched journal nothing else is kept. How the breaks
that are found are told apart is written in `refreshd.tampering`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from refreshd.chain import Frame, decode_sound, read_frame
from refreshd.errors import JournalDamagedError
from refreshd.tampering import (
    PLACES_MAX,
    STRANGE,
    Breaks,
    Place,
    Problem,
    Run,
    Unsound,
    What,
    read_off,
)

_RECORD_START = b'{"at":"'
_CLAIMED = re.compile(rb'"sequence":([1-9][0-9]{0,15})\}\s*\Z')


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a journal file, its newline included where there is one."""

    file: str
    number: int
    data: bytes

    @property
    def looks_torn(self) -> bool:
        """Say whether a power cut can have left this: no end, or blocks of zeros.

        Canonical JSON holds no zero byte (RFC 8785 section 3.2.2.2 escapes it).
        """
        return not self.data.endswith(b"\n") or b"\0" in self.data


@dataclass(frozen=True, slots=True)
class Verification:
    """What a journal was found to be. `head` is number and digest of its last sound record."""

    records: int
    head: tuple[int, str] | None
    problems: tuple[Problem, ...]
    is_complete: bool = True  # False: too much is wrong, the rest was not read

    @property
    def is_untouched(self) -> bool:
        """Say whether nobody changed anything; a line torn by a power cut is no change."""
        return self.is_complete and all(problem.what is What.TORN for problem in self.problems)


@dataclass(slots=True)
class _Survey:
    """What one reading of the lines gathers."""

    breaks: Breaks
    records: int = 0
    problems: list[Problem] = field(default_factory=list)

    @property
    def is_full(self) -> bool:
        places = len(self.breaks.runs) + len(self.breaks.trailing) + len(self.problems)
        return places > PLACES_MAX

    def take(self, line: Line) -> None:
        frame = read_frame(line.data)
        if frame is None or not frame.is_sound:
            self._take_unsound(line)
            return
        self.records += 1
        self.breaks.note_sound(frame.sequence, frame.digest)
        place = Place(line.file, line.number)
        try:
            decode_sound(line.data)
        except JournalDamagedError as err:
            self._report(What.FOREIGN, place, frame.sequence, f"it {err}")
        self._place(place, frame)

    def _place(self, place: Place, frame: Frame) -> None:
        """Let the line go on with the last run, or begin another."""
        run = self.breaks.runs[-1] if self.breaks.runs else None
        if run and (frame.sequence, frame.previous) == (run.last + 1, run.digest):
            run.last, run.digest, run.ends = frame.sequence, frame.digest, place
            for odd in self.breaks.trailing:
                self._report(What.INSERTED, odd.place, run.last, STRANGE)
        else:
            run = Run(
                begins=place,
                ends=place,
                first=frame.sequence,
                last=frame.sequence,
                previous=frame.previous,
                digest=frame.digest,
                before=tuple(self.breaks.trailing),
            )
            self.breaks.runs.append(run)
        self.breaks.trailing.clear()

    def _take_unsound(self, line: Line) -> None:
        claimed = _CLAIMED.search(line.data, max(0, len(line.data) - 64))
        self.breaks.trailing.append(
            Unsound(
                place=Place(line.file, line.number),
                claimed=int(claimed[1]) if claimed else None,
                weight=max(1, line.data.count(_RECORD_START)),
                looks_torn=line.looks_torn,
            )
        )

    def _report(self, what: What, place: Place, record: int, note: str) -> None:
        self.problems.append(Problem(what, place, record, record, note))


def verify(lines: Iterable[Line], head: tuple[int, str] | None = None) -> Verification:
    """
    Verify a whole journal, and tell what was done to it.

    Args:
        lines: All lines of all files, in order. Read once, one at a time.
        head: Number and digest of the last record that the catalogue contains; None when
            there is no catalogue to ask, and then a cut at the end cannot be seen.
    """
    survey = _Survey(Breaks(head))
    is_complete = True
    for line in lines:
        survey.take(line)
        if survey.is_full:
            is_complete = False
            survey.breaks.forget_end()
            break
    survey.problems.extend(read_off(survey.breaks))
    last = survey.breaks.runs[-1] if survey.breaks.runs else None
    return Verification(
        records=survey.records,
        head=None if last is None else (last.last, last.digest),
        problems=tuple(sorted(survey.problems, key=lambda p: (p.first, p.place.line))),
        is_complete=is_complete,
    )
