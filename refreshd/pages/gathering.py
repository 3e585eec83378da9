"""What is gathered from the pages of one reading: numbers, and why there are no others."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

from refreshd.health_cards import Measure, PageName, RawPages
from refreshd.pages import plausible
from refreshd.pages.octets import BadPageError

Page = TypeVar("Page")

_OF_SECTORS = frozenset({Measure.MOVED_SECTORS, Measure.WAITING_SECTORS, Measure.BAD_SECTORS})


class Gathering:
    """
    Takes each measure from the first source that gives it; whoever asks puts the best one first.

    A measure is open until a source has given it or refused it. A source that is refused still
    says that the drive counts by it: were another taken for this one reading, 8 sectors could
    stand beside 64 half-sectors of the reading before, and look like a change of the drive.
    """

    def __init__(self, raw: RawPages) -> None:
        """Begin with nothing."""
        self.raw = raw
        self.values: dict[Measure, int] = {}
        self.sources: dict[Measure, PageName] = {}
        self.sectors = 0
        """How many the drive has; 0: not known."""
        self._refused: dict[Measure, str] = {}
        self._spoiled: dict[PageName, str] = {}

    def decoded(self, name: PageName, decode: Callable[[bytes], Page]) -> Page | None:
        """Return what a page says; None: it did not come, or cannot be trusted, which is noted."""
        page = self.raw.pages.get(name)
        if page is None:
            return None
        try:
            return decode(page)
        except BadPageError as err:
            self._spoiled[name] = str(err)
            return None

    def is_open(self, measure: Measure) -> bool:
        """Say whether no source has given or refused it yet."""
        return measure not in self.values and measure not in self._refused

    def take(self, measure: Measure, value: int, source: PageName | None) -> None:
        """Take a value if none was taken before, unless it is not possible. None: the kernel's."""
        if measure in self.values:
            return
        why = plausible.why_not(measure, value)
        if not why and measure in _OF_SECTORS and self.sectors and value > self.sectors:
            why = f"it would be {value}, and the drive has {self.sectors}"
        if why:
            self.refuse(measure, why, source)
            return
        self.values[measure] = value
        if source is not None:
            self.sources[measure] = source

    def take_all(
        self, values: dict[Measure, int], refused: dict[Measure, str], source: PageName
    ) -> None:
        """Take what a page says, and why it does not say the rest."""
        for measure, value in values.items():
            self.take(measure, value, source)
        for measure, why in refused.items():
            self.refuse(measure, why, source)

    def take_rotation(self, rotation: int | None, source: PageName) -> None:
        """Take the nominal rotation, where it is said."""
        if rotation is not None:
            self.take(Measure.ROTATIONS_PER_MINUTE, rotation, source)

    def refuse(self, measure: Measure, why: str, source: PageName | None) -> None:
        """Note why a source does not give a measure; the first reason is kept."""
        where = "the kernel's own sensor" if source is None else source.value
        self._refused.setdefault(measure, f"{where}: {why}")

    def refuse_page(self, name: PageName, measures: Iterable[Measure]) -> None:
        """Note that measures are missing since the page that has them did."""
        why = self._spoiled.get(name) or self.raw.refusals.get(name) or "it did not come"
        for measure in measures:
            self.refuse(measure, why, name)

    def withdraw(self, measure: Measure, why: str) -> None:
        """Take a value back that another page contradicts."""
        del self.values[measure]
        self.refuse(measure, why, self.sources.pop(measure, None))

    def spoil(self, name: PageName, why: str) -> None:
        """Note why a page says nothing, unless it was noted before."""
        self._spoiled.setdefault(name, why)

    def unreported(self, expected: Iterable[Measure]) -> dict[str, str]:
        """Return why pages and measures are missing; `expected` are those one would look for."""
        told = {name.value: why for name, why in self.raw.refusals.items()}
        told |= {name.value: why for name, why in self._spoiled.items()}
        missing = dict.fromkeys(expected, "no page that came has it") | self._refused
        return told | {
            measure.value: why for measure, why in missing.items() if measure not in self.values
        }
