"""One reading from all pages that came, in the same words for ATA, SCSI and NVMe."""

from __future__ import annotations

from collections.abc import Callable

from refreshd.health_cards import HealthReading, Measure, OwnWord, RawPages, Route, Vital
from refreshd.pages import from_ata, from_nvme, from_scsi
from refreshd.pages.gathering import Gathering
from refreshd.pages.telling import Told

_TOLD: dict[Route, tuple[Callable[[Gathering], Told], tuple[Measure, ...]]] = {
    Route.ATA: (from_ata.told_by_ata, from_ata.EXPECTED),
    Route.SCSI: (from_scsi.told_by_scsi, from_scsi.EXPECTED),
    Route.NVME: (from_nvme.told_by_nvme, from_nvme.EXPECTED),
}

_SAY_NOTHING = frozenset({Measure.ROTATIONS_PER_MINUTE, Measure.CELSIUS, Measure.CELSIUS_LIMIT})
"""What a drive can tell without telling anything of its health."""

NO_ANSWER = "it answers no question about itself"
NOTHING_OF_HEALTH = "it answers, and nothing that it says is about its health"


def assemble(raw: RawPages) -> HealthReading:
    """
    Return what all pages of one reading say together.

    A broken page, one that is cut short, and a value that cannot be give no number: they stand
    in `unreported`, with the reason. The kernel's own temperature is taken where no page has
    one: it comes from the same pages, but which of them is not known.
    """
    notes = Gathering(raw)
    tell, expected = _TOLD.get(raw.route, (_nothing, ()))
    told = tell(notes)
    if raw.hwmon_celsius is not None:
        notes.take(Measure.CELSIUS, raw.hwmon_celsius, None)
    return HealthReading(
        route=raw.route,
        says=told.says,
        measures=notes.values,
        unreported=notes.unreported(expected),
        self_tests=told.self_tests,
        warnings=told.warnings,
        silence=_silence(raw, notes, told),
        sources=notes.sources,
    )


def vital(raw: RawPages) -> Vital:
    """Return what is asked of a drive while it works, from whichever pages were asked for."""
    reading = assemble(raw)
    return Vital(reading.measures.get(Measure.CELSIUS), reading.says)


def _nothing(_notes: Gathering) -> Told:
    """Return what a silent drive says."""
    return Told()


def _silence(raw: RawPages, notes: Gathering, told: Told) -> str:
    """Return why nothing is known of its health; empty: something is."""
    if raw.route is Route.SILENT:
        return raw.silence or NO_ANSWER
    is_told = told.says is not OwnWord.NOT_SAID or told.self_tests or told.warnings
    return "" if is_told or notes.values.keys() - _SAY_NOTHING else NOTHING_OF_HEALTH
