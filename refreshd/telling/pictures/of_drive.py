"""Which pictures there are of a drive: its passes, its years, its rate from end to end."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from refreshd.durations import counted
from refreshd.health_cards import HealthEntry, HeatPause, Measure, PassWatch, WatchSample
from refreshd.proving_cards import Certificate, RatePlace
from refreshd.telling.health import USE_MEASURES
from refreshd.telling.pictures.chart import Band, Dot, Panel, Picture, Place, Scale
from refreshd.verbs.health import HealthView
from refreshd.words import MINUTE_S, measured_words, rate_words, size_words

USE = (*USE_MEASURES, Measure.ENDURANCE_USED, Measure.SPARE_LEFT)
"""What grows, or shrinks, with use alone; all other figures tell of trouble when they change."""

MOMENTARY = (Measure.CELSIUS, Measure.CELSIUS_HIGHEST, Measure.CELSIUS_LOWEST)
FIXED = (Measure.CELSIUS_LIMIT, Measure.SPARE_LEAST, Measure.ROTATIONS_PER_MINUTE)

_SHADED = " (marked: at rest, too hot)"
_SLOW_NAMED_MAX = 5


def last_pictures(view: HealthView) -> Iterator[Picture]:
    """Yield what is worth a look on a terminal: the last pass, the years, the whole drive."""
    if view.watches:
        yield pass_picture(view.watches[-1])
    yield from years_pictures(view.card.number, view.series)
    if view.certificate is not None:
        yield from proving_pictures(view.card.number, view.certificate)


def all_pictures(view: HealthView) -> Iterator[Picture]:
    """Yield every picture that there is of a drive; their names differ."""
    runs: dict[str, int] = {}
    for watch in view.watches:
        runs[watch.pass_id] = runs.get(watch.pass_id, 0) + 1
        yield pass_picture(watch, runs[watch.pass_id])
    yield from years_pictures(view.card.number, view.series)
    if view.certificate is not None:
        yield from proving_pictures(view.card.number, view.certificate)


# Across one run of a pass


def pass_picture(watch: PassWatch, run: int = 1) -> Picture:
    """Draw temperature and rate across one run of a pass, over time."""
    again = f", run {run}" if run > 1 else ""
    return _watched(
        name=_file_name(f"{watch.pass_id}-run-{run}"),
        title=f"{watch.drive}: {watch.doing} pass {watch.pass_id}{again}, "
        f"until {watch.at:%Y-%m-%d %H:%M} UTC",
        samples=watch.samples,
        pauses=watch.heat_pauses,
    )


def _watched(
    name: str, title: str, samples: Sequence[WatchSample], pauses: Sequence[HeatPause]
) -> Picture:
    bands = tuple(Band(one.begun_s, one.ended_s, _pause_words(one)) for one in pauses)
    shaded = _SHADED if bands else ""
    heat = tuple(Dot(one.at_s, one.celsius) for one in samples)
    rate = tuple(Dot(one.at_s, one.rate_bytes_per_s) for one in samples)
    panels = [Panel(f"Rate of the drive{shaded}", Scale.RATE, rate, bands)]
    if any(dot.y is not None for dot in heat):
        title_of_heat = f"Temperature of the drive{shaded}"
        panels.insert(0, Panel(title_of_heat, Scale.CELSIUS, heat, bands, from_zero=False))
    return Picture(
        name=name,
        title=title,
        description=" ".join(_watched_sentences(samples, pauses)),
        x_title="Time since this run began",
        x_scale=Scale.SECONDS,
        panels=tuple(panels),
    )


def _watched_sentences(
    samples: Sequence[WatchSample], pauses: Sequence[HeatPause]
) -> Iterator[str]:
    if not samples:
        yield "Nothing was measured."
        return
    degrees = [one.celsius for one in samples if one.celsius is not None]
    if degrees:
        yield f"Temperature: {_between(min(degrees), max(degrees))} °C."
    else:
        yield "No temperature was told."
    rates = [one.rate_bytes_per_s for one in samples]
    yield f"Rate: {_rates_words(min(rates), max(rates))}."
    if pauses:
        rested = sum(one.ended_s - one.begun_s for one in pauses)
        hottest = max(one.highest_celsius for one in pauses)
        often = "once" if len(pauses) == 1 else f"{len(pauses)} times"
        yield f"It rested for heat {often}, {_time(rested)} in all, at up to {hottest} °C."


def _rates_words(low: int, high: int) -> str:
    told = dict.fromkeys((rate_words(low), rate_words(high)))
    return " to ".join(told)


def _between(low: int, high: int) -> str:
    return str(low) if low == high else f"{low} to {high}"


def _time(seconds: int) -> str:
    return counted(seconds, "second") if seconds < MINUTE_S else measured_words(seconds)


def _pause_words(pause: HeatPause) -> str:
    return f"Rested for {_time(pause.ended_s - pause.begun_s)}, at up to {pause.highest_celsius} °C"


# Over the years


def years_pictures(drive: str, series: Sequence[HealthEntry]) -> Iterator[Picture]:
    """Yield the figures that changed between the readings: those of trouble, those of use."""
    left_out = {*USE, *MOMENTARY, *FIXED}
    trouble = changed_measures(series, [one for one in Measure if one not in left_out])
    if trouble:
        title = f"{drive}: what changed between readings"
        yield _years(_file_name(f"{drive}-counters"), title, series, trouble)
    use = changed_measures(series, USE)
    if use:
        yield _years(_file_name(f"{drive}-use"), f"{drive}: use", series, use)


def changed_measures(
    series: Sequence[HealthEntry], among: Sequence[Measure]
) -> tuple[Measure, ...]:
    """Return the figures that were not the same in all readings, in the order of `among`."""
    return tuple(
        measure
        for measure in among
        if len({v for one in series if (v := one.reading.measures.get(measure)) is not None}) > 1
    )


def _years(
    name: str, title: str, series: Sequence[HealthEntry], measures: Sequence[Measure]
) -> Picture:
    panels = tuple(
        Panel(
            measure.value[0].upper() + measure.value[1:],
            Scale.COUNT,
            tuple(Dot(_day(one), one.reading.measures.get(measure)) for one in series),
        )
        for measure in measures
    )
    return Picture(
        name=name,
        title=title,
        description=" ".join(_grown(series, measure) for measure in measures),
        x_title="Day of the reading",
        x_scale=Scale.DAYS,
        panels=panels,
    )


def _day(entry: HealthEntry) -> float:
    """Return the day of a reading with its time of day, so that two of one day stand apart."""
    midnight = entry.at.replace(hour=0, minute=0, second=0, microsecond=0)
    return entry.at.toordinal() + (entry.at - midnight).total_seconds() / 86400


def _grown(series: Sequence[HealthEntry], measure: Measure) -> str:
    told = [(one, v) for one in series if (v := one.reading.measures.get(measure)) is not None]
    (first, begin), (last, end) = told[0], told[-1]
    return (
        f"{measure.value[0].upper()}{measure.value[1:]}: {begin:,} on {first.at.date()}, "
        f"{end:,} on {last.at.date()}."
    )


# From the proving


def proving_pictures(drive: str, certificate: Certificate) -> Iterator[Picture]:
    """Yield the rate along the drive, and temperature and rate across its proving."""
    if certificate.rates:
        yield _along(drive, certificate)
    if certificate.samples:
        yield _watched(
            name=_file_name(f"{drive}-proving"),
            title=f"{drive}: its proving {certificate.id}, {certificate.ended_at:%Y-%m-%d}",
            samples=certificate.samples,
            pauses=certificate.heat_pauses,
        )


def _along(drive: str, certificate: Certificate) -> Picture:
    rates = sorted(certificate.rates, key=lambda one: one.start)
    slow = tuple(one for one in rates if one.is_slow)
    dots = tuple(Dot(x, one.rate_bytes_per_s) for one in rates for x in _ends(one))
    marks = tuple(Place(one.start + one.length / 2, one.rate_bytes_per_s) for one in slow)
    pointed = " (pointed out: slow for its place)" if slow else ""
    panel = Panel(f"Rate{pointed}", Scale.RATE, dots, pointed_out=marks)
    return Picture(
        name=_file_name(f"{drive}-rate-along-drive"),
        title=f"{drive}: rate along the drive, {certificate.ended_at:%Y-%m-%d}",
        description=" ".join(_along_sentences(rates, slow)),
        x_title="Place on the drive",
        x_scale=Scale.BYTES,
        panels=(panel,),
    )


def _ends(rate: RatePlace) -> tuple[float, float]:
    return float(rate.start), float(rate.start + rate.length)


def _along_sentences(rates: Sequence[RatePlace], slow: Sequence[RatePlace]) -> Iterator[str]:
    first, last = rates[0].rate_bytes_per_s, rates[-1].rate_bytes_per_s
    yield f"It began at {rate_words(first)} and ended at {rate_words(last)}."
    if not slow:
        yield "No place was slow for where it lies."
        return
    named = slow[:_SLOW_NAMED_MAX]
    places = ", ".join(
        f"at {size_words(one.start)} ({rate_words(one.rate_bytes_per_s)})" for one in named
    )
    more = f", and {len(slow) - len(named)} more" if len(slow) > len(named) else ""
    yield f"{counted(len(slow), 'slow place')}: {places}{more}."


def _file_name(text: str) -> str:
    """Return what can be the name of a file and of an element everywhere."""
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-") or "drive"
