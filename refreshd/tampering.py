"""
Reads off from the breaks of a chain what was done to it.

Terms. A line is *sound* when its bytes have the digest that it claims. A *run* is a row of
sound lines, each naming the digest of the line before; an untouched journal is one run from
record 1 to its head. Whatever somebody does to a journal breaks it into several runs, with
lines between them that are not sound, and what was done is read off from the runs:

1. The *spine* is the choice of runs, in the order of the file and with rising numbers, that
   keeps the most records in their place.
2. Numbers missing on the spine, and found in a run beside it, were reordered.
3. Numbers missing with as many unsound lines in their place were edited, otherwise removed.
4. A run beside the spine whose numbers are not missing, or an unsound line where no number
   is missing, was inserted.
5. Two runs that follow each other by number but not by digest: the last record of the first
   was edited and its digest made anew, for the record after it attests another.
6. The catalogue's head tells what nobody can see from inside: records cut off at the end, and
   a journal that was written anew from some record on.
7. Unsound bytes behind the last record are a torn line, no tampering, where the catalogue
   ends with that record, or where they look as a power cut leaves them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from refreshd.chain import FIRST_PREVIOUS

PLACES_MAX = 1000
"""So many breaks are told apart; behind them the reading stops and says so."""

STRANGE = "this line before it is no record of this journal"
_CHANGED = "its bytes do not have the digest that it claims"


class What(StrEnum):
    """What was done to the journal, or happened to it."""

    EDITED = "edited"
    REMOVED = "removed"
    INSERTED = "inserted"
    REORDERED = "reordered"
    TRUNCATED_START = "truncated at the start"
    TRUNCATED_END = "truncated at the end"
    FOREIGN = "not understood"  # sound and in its place, but no event that this version knows
    TORN = "torn by a power cut"  # no tampering


@dataclass(frozen=True, slots=True)
class Place:
    """Where a line stands. Lines count from 1 in each file; 0: in no line."""

    file: str
    line: int

    def __str__(self) -> str:
        """Name file and line."""
        return f"{self.file} line {self.line}" if self.file else "no file"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong, with the records it is about (`first` to `last`) and where they stand."""

    what: What
    place: Place
    first: int
    last: int
    note: str

    def __str__(self) -> str:
        """Say it in one sentence."""
        which = f"record {self.first}"
        if self.last != self.first:
            which = f"records {self.first} to {self.last}"
        return f"{which}: {self.what}; {self.note} ({self.place})"


@dataclass(frozen=True, slots=True)
class Unsound:
    """A line that is no sound record. `weight`: how many records were run together in it."""

    place: Place
    claimed: int | None
    weight: int
    looks_torn: bool


@dataclass(slots=True)
class Run:
    """A run, and the unsound lines right before it. It grows while lines are read."""

    begins: Place
    ends: Place
    first: int
    last: int
    previous: str  # what its first record names
    digest: str  # what its last record has
    before: tuple[Unsound, ...] = ()


@dataclass(slots=True)
class Breaks:
    """What one reading of all lines gathers: its runs, and unsound lines after the last.

    `head` is number and digest of the last record that the catalogue contains, `at_head` the
    digests of the records with that number that the journal holds.
    """

    head: tuple[int, str] | None
    runs: list[Run] = field(default_factory=list)
    trailing: list[Unsound] = field(default_factory=list)
    at_head: set[str] = field(default_factory=set)

    def note_sound(self, sequence: int, digest: str) -> None:
        """Remember the record that the catalogue's head is compared with."""
        if self.head is not None and sequence == self.head[0]:
            self.at_head.add(digest)

    def forget_end(self) -> None:
        """Judge nothing about the end: the reading stopped before it."""
        self.head = None
        self.trailing.clear()


def read_off(breaks: Breaks) -> Iterator[Problem]:
    """Say what the runs, and what stands between them, tell."""
    spine = _spine(breaks.runs)
    on_spine = set(spine)
    strays = [run for index, run in enumerate(breaks.runs) if index not in on_spine]
    found: list[Problem] = []
    for gap in _gaps(breaks, spine):
        found.extend(gap.problems(strays))
    for run in strays:
        note = "this is not the place of this record, which stands elsewhere or never was"
        found.append(Problem(What.INSERTED, run.begins, run.first, run.last, note))
    found.extend(_broken_links(breaks.runs, spine))
    yield from found
    yield from _against_head(breaks, found)


def _spine(runs: Sequence[Run]) -> list[int]:
    """Choose the runs that keep the most records in their place; then the most links."""
    best: list[tuple[int, int, int]] = []
    came_from: list[int | None] = []
    for j, run in enumerate(runs):
        length = run.last - run.first + 1
        choice, source = (length, 0, 0), None
        for i in range(j):
            before = runs[i]
            if before.first >= run.first:
                continue
            lost = max(0, before.last - run.first + 1)
            linked = int(before.digest == run.previous)
            score = (best[i][0] + length - lost, best[i][1] + linked, best[i][2] - 1)
            if score > choice:
                choice, source = score, i
        best.append(choice)
        came_from.append(source)
    spine: list[int] = []
    at = max(range(len(runs)), key=lambda j: best[j]) if runs else None
    while at is not None:
        spine.append(at)
        at = came_from[at]
    return spine[::-1]


@dataclass(slots=True)
class _Gap:
    """The numbers missing between two neighbours of the spine, and the unsound lines there."""

    missing: list[tuple[int, int]]
    after: Run | None  # None: the beginning of the journal
    before: Run | None  # None: its end
    unsound: list[Unsound]
    known_last: int | None  # number of the catalogue's head

    def problems(self, strays: list[Run]) -> Iterator[Problem]:
        yield from self._overlap()
        for run in [run for run in strays if self._holds(run)]:
            strays.remove(run)
            self._fill(run.first, run.last)
            note = "it does not stand where its number belongs"
            yield Problem(What.REORDERED, run.begins, run.first, run.last, note)
        if self.before is None and self._is_torn():
            odd = self.unsound[0]
            record = self._last_before + 1
            note = "an unfinished record stands at the end, and nothing relied on it"
            yield Problem(What.TORN, odd.place, record, record, note)
            return
        if self.unsound:
            yield from self._edited()
        yield from self._absent()

    @property
    def _last_before(self) -> int:
        return 0 if self.after is None else self.after.last

    def _holds(self, run: Run) -> bool:
        return any(first <= run.first and run.last <= last for first, last in self.missing)

    def _fill(self, first: int, last: int) -> None:
        parts: list[tuple[int, int]] = []
        for a, b in self.missing:
            parts.extend(
                (low, high)
                for low, high in ((a, min(b, first - 1)), (max(a, last + 1), b))
                if low <= high
            )
        self.missing = sorted(set(parts))

    def _is_torn(self) -> bool:
        known = self.known_last or 0
        if not self.unsound or known > self._last_before:
            return False
        if known == self._last_before:
            return True
        return len(self.unsound) == 1 and self.unsound[0].looks_torn

    def _overlap(self) -> Iterator[Problem]:
        if self.after and self.before and self.after.last >= self.before.first:
            note = "another version of the same follows, and what comes later goes on from that one"
            first, last = self.before.first, self.after.last
            yield Problem(What.INSERTED, self.after.ends, first, last, note)

    def _edited(self) -> Iterator[Problem]:
        numbers = [n for a, b in self.missing for n in range(a, min(b, a + PLACES_MAX) + 1)]
        weight = sum(odd.weight for odd in self.unsound)
        if not numbers:
            record = self._last_before + 1
            what = What.INSERTED if self.before else What.EDITED
            note = STRANGE if self.before else _CHANGED
            for odd in self.unsound:
                yield Problem(what, odd.place, record, record, note)
        elif len(self.unsound) == len(numbers) or len(self.unsound) == weight < len(numbers):
            yield from self._edited_one_by_one(numbers)
        else:
            odd = self.unsound[0]
            last = numbers[-1] if weight >= len(numbers) else numbers[weight - 1]
            note = f"{len(self.unsound)} damaged lines stand in their place"
            yield Problem(What.EDITED, odd.place, numbers[0], last, note)
            self._fill(numbers[0], last)

    def _edited_one_by_one(self, numbers: list[int]) -> Iterator[Problem]:
        """Give each damaged line the number that it claims, or else the next one missing."""
        free = set(numbers)
        is_one_to_one = len(self.unsound) == len(numbers)
        for odd in self.unsound:
            claims = not is_one_to_one and odd.claimed in free
            record = odd.claimed if claims and odd.claimed is not None else min(free)
            free.discard(record)
            self._fill(record, record)
            yield Problem(What.EDITED, odd.place, record, record, _CHANGED)

    def _absent(self) -> Iterator[Problem]:
        place = Place("", 0)
        if self.before is not None:
            place = self.before.begins
        elif self.after is not None:
            place = self.after.ends
        for first, last in self.missing:
            what, note = What.REMOVED, f"missing between record {first - 1} and record {last + 1}"
            if self.before is None:
                what, note = What.TRUNCATED_END, "missing at the end; the catalogue contains them"
            elif first == 1:
                what, note = What.TRUNCATED_START, f"the journal begins with record {last + 1}"
            yield Problem(what, place, first, last, note)


def _gaps(breaks: Breaks, spine: list[int]) -> Iterator[_Gap]:
    """Yield the places between the neighbours of the spine, its beginning and its end."""
    known = breaks.head[0] if breaks.head else None
    runs = breaks.runs
    after: Run | None = None
    index = 0
    for at in spine:
        run = runs[at]
        first = 1 if after is None else after.last + 1
        missing = [(first, run.first - 1)] if first < run.first else []
        unsound = [odd for between in runs[index : at + 1] for odd in between.before]
        yield _Gap(missing, after, run, unsound, known)
        after, index = run, at + 1
    first = 1 if after is None else after.last + 1
    missing = [(first, known)] if known is not None and first <= known else []
    unsound = [odd for between in runs[index:] for odd in between.before]
    yield _Gap(missing, after, None, unsound + breaks.trailing, known)


def _broken_links(runs: Sequence[Run], spine: list[int]) -> Iterator[Problem]:
    """Find records that follow by number but not by digest: edited, with a digest made anew."""
    chain = [runs[at] for at in spine]
    is_blamed = False
    for place, run in enumerate(chain):
        before = chain[place - 1] if place else None
        expected = before.digest if before else FIRST_PREVIOUS
        follows = run.first == (before.last + 1 if before else 1)
        if not follows or run.previous == expected or is_blamed:
            is_blamed = False
            continue
        after = chain[place + 1] if place + 1 < len(chain) else None
        is_alone = (
            after is not None
            and run.first == run.last == after.first - 1
            and after.previous != run.digest
        )
        if before is None or is_alone:
            note = "it and its neighbours do not name each other; it was written anew"
            yield Problem(What.EDITED, run.begins, run.first, run.first, note)
            is_blamed = is_alone
        else:
            note = f"its digest was made anew; record {run.first} attests another"
            yield Problem(What.EDITED, before.ends, before.last, before.last, note)


def _against_head(breaks: Breaks, found: Sequence[Problem]) -> Iterator[Problem]:
    """Compare with what the catalogue contains: sees a journal that was written anew."""
    if breaks.head is None or breaks.head[1] in breaks.at_head:
        return
    number = breaks.head[0]
    if any(problem.first <= number <= problem.last for problem in found):
        return
    note = "the catalogue contains another; the journal was written anew from there or before"
    run = breaks.runs[-1]
    yield Problem(What.EDITED, run.ends, number, number, note)
