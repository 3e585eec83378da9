"""Events about health and provings as lines of the journal, and what is told of them."""

from __future__ import annotations

import base64
import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refreshd import events
from refreshd.chain import decode, encode, next_entry
from refreshd.events import Event, HealthRead, PassWatched
from refreshd.health_cards import (
    NUMBER_MAX,
    EvidenceLine,
    HealthReading,
    HeatPause,
    Measure,
    Moment,
    OwnWord,
    PageName,
    Part,
    Route,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Verdict,
    WatchSample,
)
from refreshd.health_tally import PAGES_BYTES_MAX, SAMPLES_MAX, HealthEvent
from refreshd.proving_cards import ProvingStep
from refreshd.proving_tally import ProvingEvent
from refreshd.quantities import KIB, Outcome, PassId
from refreshd.telling.health_records import health_sentence
from tests.builders import K07
from tests.health_builders import (
    NEW_DRIVE,
    PAGES,
    PLAN,
    SPEAKING,
    certified,
    fell_silent,
    health_read,
    proving_begun,
    proving_checkpoint,
    proving_given_up,
    samples,
    step_result,
    watched,
)
from tests.journals import BEGINS

RESULTS = (step_result(ProvingStep.IDENTITY), step_result(ProvingStep.READ, Outcome.WARNING))
CHECKPOINT = proving_checkpoint(next_byte=10**9, results=RESULTS).model_copy(
    update={"health_before": SPEAKING, "pages_before": PAGES}
)
ONE_OF_EACH: tuple[HealthEvent | ProvingEvent, ...] = (
    health_read(Verdict.WATCH),
    fell_silent(),
    watched(),
    proving_begun(),
    CHECKPOINT,
    certified(outcome=Outcome.WARNING, results=RESULTS),
    proving_given_up(),
)


def through_the_journal(event: Event) -> Event:
    """Return an event as it is read back from its line."""
    return decode(encode(next_entry(None, BEGINS, event))).event


@pytest.mark.parametrize("event", ONE_OF_EACH, ids=lambda event: event.kind)
def test_events_of_health_come_back_from_the_journal(event: Event) -> None:
    """I5: what was written down is what is read."""
    assert through_the_journal(event) == event


def test_counts_come_back_under_their_measures() -> None:
    """A key is a measure again, not a text that only looks like one."""
    back = through_the_journal(health_read())

    assert isinstance(back, HealthRead)
    assert {type(key) for key in back.reading.measures} == {Measure}
    assert {type(key) for key in back.pages} == {PageName}


def test_samples_and_pauses_are_rows_of_numbers_in_the_journal() -> None:
    """They are short there, and are samples and pauses again when they are read."""
    plain = json.loads(encode(next_entry(None, BEGINS, watched(count=1))))["event"]
    back = through_the_journal(watched())

    assert plain["samples"] == [[0, 0, 180_000_000, 30]]
    assert plain["heat_pauses"] == [[60, 360, 51]]
    assert isinstance(back, PassWatched)
    assert {type(one) for one in back.samples} == {WatchSample}
    assert {type(one) for one in back.heat_pauses} == {HeatPause}


def test_pages_are_base64_in_the_journal() -> None:
    """RFC 4648 section 5: whoever doubts a reading can take the page out with common tools."""
    plain = json.loads(encode(next_entry(None, BEGINS, health_read())))["event"]["pages"]

    assert {name: base64.urlsafe_b64decode(text) for name, text in plain.items()} == PAGES


def test_the_largest_events_fit_into_a_line() -> None:
    """I8: what the tally lets through is far below LINE_BYTES_MAX, and a usual reading is small."""
    usual = health_read().model_copy(
        update={"pages": {page: bytes(512) for page in list(PageName)[:10]}}
    )
    largest = health_read().model_copy(
        update={"pages": {PageName.SCSI_LOG_02: bytes(PAGES_BYTES_MAX)}}
    )
    long_run = watched(count=300)
    longest_run = watched(count=SAMPLES_MAX)
    sizes = [
        len(encode(next_entry(None, BEGINS, event)))
        for event in (usual, largest, long_run, longest_run)
    ]
    print(f"bytes of a line: {sizes}")  # noqa: T201

    assert sizes[0] < 10 * KIB
    assert sizes[1] < 800 * KIB
    assert sizes[2] < 16 * KIB
    assert sizes[3] < 100 * KIB


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
NUMBER = st.integers(-NUMBER_MAX, NUMBER_MAX)
SELF_TEST = st.builds(
    SelfTest,
    kind=st.sampled_from(SelfTestKind),
    outcome=st.sampled_from(SelfTestOutcome),
    at_power_on_hours=st.none() | NUMBER,
    first_bad_sector=st.none() | NUMBER,
    failed_part=st.none() | st.sampled_from(Part),
)
READING = st.builds(
    HealthReading,
    route=st.sampled_from(Route),
    says=st.sampled_from(OwnWord),
    measures=st.dictionaries(st.sampled_from(Measure), NUMBER),
    unreported=st.dictionaries(TEXT, TEXT, max_size=3),
    self_tests=st.lists(SELF_TEST, max_size=3).map(tuple),
    warnings=st.lists(TEXT, max_size=3).map(tuple),
    silence=TEXT,
)
EVIDENCE_LINE = st.builds(
    EvidenceLine,
    part=st.none() | st.sampled_from(Part),
    verdict=st.sampled_from(Verdict),
    sentence=TEXT,
)
EVENT = st.builds(
    HealthRead,
    drive=st.just(K07),
    outcome=st.sampled_from(Outcome),
    moment=st.sampled_from(Moment),
    pass_id=st.none() | TEXT.map(PassId),
    reading=READING,
    verdict=st.sampled_from(Verdict),
    evidence=st.lists(EVIDENCE_LINE, max_size=3).map(tuple),
    changes=st.lists(TEXT, max_size=3).map(tuple),
    pages=st.dictionaries(st.sampled_from(PageName), st.binary(max_size=40), max_size=4),
)


@given(event=EVENT)
@settings(max_examples=200, deadline=None, derandomize=True)
def test_any_reading_comes_back_from_the_journal(event: HealthRead) -> None:
    """I5, I8: whatever a drive says of itself, the journal takes it and gives it back."""
    assert through_the_journal(event) == event


# --- What is told


def test_a_reading_is_told_by_its_verdict_and_what_speaks_for_it() -> None:
    """A successor reads what was found, in words, without a table of counters."""
    milder = EvidenceLine(None, Verdict.WATCH, "it was above its own limit for 12 minutes.")
    worse = EvidenceLine(Part.COATING, Verdict.DO_NOT_WRITE, "4 sectors became unreadable.")
    failing = health_read(Verdict.DO_NOT_WRITE, moment=Moment.BEFORE).model_copy(
        update={"evidence": (milder, worse)}
    )

    assert [health_sentence(event) for event in (health_read(), failing, fell_silent())] == [
        "health between passes: fit for duty",
        "health before the pass: do not write. 4 sectors became unreadable",
        "health between passes: not known. The bridge passes no command through",
    ]


def test_a_run_that_was_watched_is_told_by_its_temperatures() -> None:
    """Between which degrees it ran, how often it had to rest; or that nobody knows."""
    blind = tuple(one._replace(celsius=None) for one in samples(2))
    unknown = watched().model_copy(update={"samples": blind, "heat_pauses": ()})

    assert health_sentence(watched()) == (
        "pass K07/1 was watched (refresh): 30 to 32 °C, 1 pause to cool down, 3 samples"
    )
    assert health_sentence(unknown) == (
        "pass K07/1 was watched (refresh): temperature not known, 2 samples"
    )


def test_a_proving_is_told_from_its_beginning_to_its_certificate() -> None:
    """What is done to the drive, how far it came, what each step found."""
    reading = proving_begun().model_copy(update={"plan": replace(PLAN, is_writing=False)})
    erasing = proving_begun().model_copy(update={"plan": replace(PLAN, is_erasing=True)})
    before = proving_checkpoint(step=ProvingStep.EXTENDED_TEST)
    stopped = CHECKPOINT.model_copy(update={"note": "asked to stop"})
    told = [
        health_sentence(event)
        for event in (
            proving_begun(),
            reading,
            erasing,
            before,
            stopped,
            certified(outcome=Outcome.WARNING, results=RESULTS),
            proving_given_up(),
        )
    ]

    assert told == [
        "proving P1 began on model Meridian 4T, serial ZX-0042: all 4.0 TB are written, then read",
        "proving P1 began on model Meridian 4T, serial ZX-0042: all 4.0 TB are read",
        (
            "proving P1 began on model Meridian 4T, serial ZX-0042: all 4.0 TB are written, then "
            "read, over what it held"
        ),
        "proving P1 came to extended self-test",
        (
            "proving P1 came to writing, byte 1000000000: asked to stop. The step identity ended. "
            "The step reading ended"
        ),
        (
            "proving P1 of model Meridian 4T, serial ZX-0042 ended: passed, with remarks, "
            "written and read; health: fit for duty (identity success, reading warning)"
        ),
        "proving P1 was given up: another one was begun",
    ]
    assert NEW_DRIVE.model is not None


def test_no_event_of_health_has_a_label_that_promises_something_else() -> None:
    """The published labels speak of files and packages; see the module's docstring."""
    own = (*HealthEvent.__args__, *ProvingEvent.__args__)

    assert {event.label.split(":")[0] for event in own} == {"local"}
    assert set(own) == {
        events.HealthRead,
        events.PassWatched,
        events.ProvingBegun,
        events.ProvingCheckpoint,
        events.DriveProved,
        events.ProvingGivenUp,
    }
