"""Health as JSON objects. Keys that stand here are stable; new ones may be added."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from pathlib import Path

from refreshd.events import Entry, HealthRead
from refreshd.health_cards import (
    EvidenceLine,
    HealthEntry,
    HealthReading,
    HealthState,
    HeatPause,
    PassWatch,
    SelfTest,
    Verdict,
    WatchSample,
)
from refreshd.telling.as_json import JsonObject, day, moment
from refreshd.verbs.health import HealthList, HealthView


def health_state_object(state: HealthState | None) -> JsonObject:
    """Return where a drive's health stands; the dates are null where it was never read."""
    if state is None:
        return {
            "verdict": Verdict.NOT_KNOWN.value,
            "read_on": None,
            "judged_on": None,
            "is_silent": False,
            "evidence": [],
        }
    return {
        "verdict": state.verdict.value,
        "read_on": day(state.read_on),
        "judged_on": day(state.judged_on),
        "is_silent": state.is_silent,
        "evidence": [_evidence_object(one) for one in state.evidence],
    }


def health_list_object(shelf: HealthList) -> JsonObject:
    """Return the shelf by health."""
    drives = [
        {
            "drive": card.number,
            "shelfmark": card.shelfmark,
            "title": card.title,
            "hold": card.hold,
            "open_findings": shelf.findings.get(card.number, 0),
        }
        | health_state_object(card.health)
        for card in shelf.cards
    ]
    return {"as_of": day(shelf.as_of), "drives": drives}


def health_object(view: HealthView) -> JsonObject:
    """Return all that is known of a drive's health, but the pages as it gave them."""
    card = view.card
    return {
        "drive": card.number,
        "shelfmark": card.shelfmark,
        "title": card.title,
        "hold": card.hold,
        "open_findings": view.open_findings,
        "as_of": day(view.as_of),
        **health_state_object(card.health),
        "readings": [_entry_object(one) for one in view.series],
        "watches": [_watch_object(one) for one in view.watches],
        "proving": None if view.certificate is None else view.certificate.id,
    }


def pictures_object(files: Iterable[Path]) -> JsonObject:
    """Return which pictures were written."""
    return {"pictures": [str(path) for path in files]}


def raw_pages_object(entries: Iterable[Entry]) -> JsonObject:
    """Return the pages of each reading as the drive gave them, in base64, oldest first."""
    return {
        "raw": [
            {
                "record": entry.sequence,
                "at": moment(entry.at),
                "pages": {
                    name.value: b64encode(page).decode("ascii")
                    for name, page in entry.event.pages.items()
                },
            }
            for entry in entries
            if isinstance(entry.event, HealthRead)
        ]
    }


def _entry_object(entry: HealthEntry) -> JsonObject:
    return {
        "at": moment(entry.at),
        "moment": entry.moment.value,
        "pass": entry.pass_id,
        "verdict": entry.verdict.value,
        "evidence": [_evidence_object(one) for one in entry.evidence],
        "changes": list(entry.changes),
        **reading_object(entry.reading),
    }


def reading_object(reading: HealthReading) -> JsonObject:
    """Return one reading, decoded."""
    return {
        "route": reading.route.value,
        "says": reading.says.value,
        "silence": reading.silence,
        "measures": {measure.value: value for measure, value in reading.measures.items()},
        "warnings": list(reading.warnings),
        "self_tests": [_test_object(one) for one in reading.self_tests],
        "unreported": dict(reading.unreported),
    }


def _evidence_object(line: EvidenceLine) -> JsonObject:
    return {
        "part": None if line.part is None else line.part.value,
        "verdict": line.verdict.value,
        "sentence": line.sentence,
    }


def _test_object(test: SelfTest) -> JsonObject:
    return {
        "kind": test.kind.value,
        "outcome": test.outcome.value,
        "at_power_on_hours": test.at_power_on_hours,
        "first_bad_sector": test.first_bad_sector,
        "failed_part": None if test.failed_part is None else test.failed_part.value,
        "percent_left": test.percent_left,
    }


def _watch_object(watch: PassWatch) -> JsonObject:
    return {
        "pass": watch.pass_id,
        "ended_at": moment(watch.at),
        "doing": watch.doing,
        "samples": [sample_object(one) for one in watch.samples],
        "heat_pauses": [pause_object(one) for one in watch.heat_pauses],
    }


def sample_object(sample: WatchSample) -> JsonObject:
    """Return one look at a pass under way."""
    return {
        "at_s": sample.at_s,
        "done_bytes": sample.done_bytes,
        "rate_bytes_per_s": sample.rate_bytes_per_s,
        "celsius": sample.celsius,
    }


def pause_object(pause: HeatPause) -> JsonObject:
    """Return one rest for heat."""
    return {
        "begun_s": pause.begun_s,
        "ended_s": pause.ended_s,
        "highest_celsius": pause.highest_celsius,
    }
