"""Readings of a drive's health for tests that tell them; hypothesis draws any that there can be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

from hypothesis import strategies as st

from refreshd.cards import Carrier, DriveCard, Evidence
from refreshd.health_cards import (
    NUMBER_MAX,
    EvidenceLine,
    HealthEntry,
    HealthReading,
    HealthState,
    HeatPause,
    Measure,
    Moment,
    OwnWord,
    Part,
    PassWatch,
    Route,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Verdict,
    WatchSample,
)
from refreshd.quantities import MIB, DriveNumber, MediumKind, PassId
from refreshd.verbs.health import HealthView

K07 = DriveNumber("K07")
P12 = PassId("K07/12")
TODAY = date(2031, 5, 2)


def card(
    health: HealthState | None = None,
    carrier: Carrier = Carrier.BLOCK,
    number: DriveNumber = K07,
    hold: str | None = None,
) -> DriveCard:
    """Return the card of an invented drive."""
    return DriveCard(
        number=number,
        shelfmark="R2-B04-S3",
        title="Choir recordings",
        medium=MediumKind.HARD_DISK,
        evidence=Evidence(carrier, 24 * MIB, 512, 4096),
        chunk_bytes=4 * MIB,
        accessioned_on=date(2026, 3, 5),
        is_taken_in=True,
        hold=hold,
        health=health,
    )


def reading(measures: Mapping[Measure, int] | None = None, **facts: Any) -> HealthReading:  # noqa: ANN401 - any field.
    """Return what an ATA drive answered; `facts` are those of `HealthReading`."""
    return replace(HealthReading(Route.ATA, OwnWord.PASSING, measures or {}), **facts)


SILENCE = HealthReading(Route.SILENT, OwnWord.NOT_SAID, silence="the bridge answers no command")


def entry(
    on: date,
    told: HealthReading,
    verdict: Verdict = Verdict.FIT,
    **facts: Any,  # noqa: ANN401 - any field.
) -> HealthEntry:
    """Return a reading of the drive K07 in its series; `facts` are those of `HealthEntry`."""
    at = datetime(on.year, on.month, on.day, 9, 30, tzinfo=UTC)
    return replace(HealthEntry(K07, at, Moment.BEFORE, P12, told, verdict), **facts)


def view(
    *series: HealthEntry, watches: Sequence[PassWatch] = (), hold: str | None = None
) -> HealthView:
    """Return what is known of a drive with this series, its card as the tally would have it."""
    if not series:
        return HealthView(card(hold=hold), TODAY, watches=tuple(watches))
    told = [one for one in series if one.reading.route is not Route.SILENT]
    is_silent = series[-1].reading.route is Route.SILENT
    verdict = told[-1].verdict if told else Verdict.NOT_KNOWN
    if is_silent and verdict is Verdict.FIT:
        verdict = Verdict.NOT_KNOWN  # It keeps a warning, and keeps no praise.
    state = HealthState(
        verdict,
        series[-1].at.date(),
        told[-1].evidence if told else (),
        is_silent=is_silent,
        judged_on=told[-1].at.date() if told else None,
    )
    return HealthView(card(state, hold=hold), TODAY, series, tuple(watches))


def watch(
    samples: Sequence[WatchSample], pauses: Sequence[HeatPause] = (), pass_id: PassId = P12
) -> PassWatch:
    """Return what was watched of a pass."""
    at = datetime(2031, 5, 1, 18, 0, tzinfo=UTC)
    return PassWatch(K07, pass_id, at, "refresh", tuple(samples), tuple(pauses))


# Any that there can be: a drive, and a record of long ago, may hold anything.

WORDS = st.text(max_size=40)
FIGURES = st.integers(-NUMBER_MAX, NUMBER_MAX)
DAYS = st.dates(date(1990, 1, 1), date(2200, 1, 1))

SELF_TESTS = st.builds(
    SelfTest,
    st.sampled_from(SelfTestKind),
    st.sampled_from(SelfTestOutcome),
    st.none() | FIGURES,
    st.none() | FIGURES,
    st.none() | st.sampled_from(Part),
    st.none() | st.integers(0, 100),
)
EVIDENCE = st.builds(
    EvidenceLine, st.none() | st.sampled_from(Part), st.sampled_from(Verdict), WORDS
)
READINGS = st.builds(
    HealthReading,
    st.sampled_from(Route),
    st.sampled_from(OwnWord),
    st.dictionaries(st.sampled_from(Measure), FIGURES),
    st.dictionaries(WORDS, WORDS, max_size=12),
    st.lists(SELF_TESTS, max_size=3).map(tuple),
    st.lists(WORDS, max_size=12).map(tuple),
    WORDS,
)
ENTRIES = st.builds(
    entry,
    DAYS,
    READINGS,
    st.sampled_from(Verdict),
    moment=st.sampled_from(Moment),
    pass_id=st.none() | st.just(P12),
    evidence=st.lists(EVIDENCE, max_size=5).map(tuple),
    changes=st.lists(WORDS, max_size=5).map(tuple),
)
SERIES = st.lists(ENTRIES, max_size=8).map(lambda all_: sorted(all_, key=lambda one: one.at))
SAMPLES = st.builds(
    WatchSample, st.integers(0, 10**7), FIGURES, FIGURES, st.none() | st.integers(-60, 200)
)
PAUSES = st.builds(
    lambda begun, length, hottest: HeatPause(begun, begun + length, hottest),
    st.integers(0, 10**7),
    st.integers(0, 10**6),
    st.integers(-60, 200),
)
WATCHES = st.builds(watch, st.lists(SAMPLES, max_size=40), st.lists(PAUSES, max_size=3))
