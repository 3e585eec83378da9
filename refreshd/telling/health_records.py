"""Records about the health of drives and their provings, one sentence each."""

from __future__ import annotations

from typing import assert_never

from refreshd import events
from refreshd.durations import counted
from refreshd.health_tally import HealthEvent
from refreshd.proving_cards import ProvingStep
from refreshd.proving_tally import ProvingEvent
from refreshd.words import size_words

_STEPS_OVER_BYTES = {ProvingStep.CAPACITY, ProvingStep.WRITE, ProvingStep.READ}


def health_sentence(event: HealthEvent | ProvingEvent) -> str:
    """Return what happened, in words."""
    match event:
        case events.HealthRead():
            return _of_a_reading(event)
        case events.PassWatched():
            return _of_a_watch(event)
        case events.ProvingBegun():
            how = "written over and read back" if event.plan.is_writing else "read"
            size = size_words(event.evidence.size_bytes)
            return f"proving {event.proving_id} began: all {size} of the drive are {how}"
        case events.ProvingCheckpoint():
            return f"proving {event.proving_id} came to {_place(event)}{_noted(event.note)}"
        case events.DriveProved():
            return _of_a_certificate(event)
        case events.ProvingGivenUp():
            return f"proving {event.proving_id} was given up: {event.why}"
        case _:
            assert_never(event)


def _of_a_reading(event: events.HealthRead) -> str:
    """Say the verdict, and the worst of what speaks for it."""
    told = [f"health {event.moment}: {event.verdict}"]
    if event.reading.silence:
        told.append(event.reading.silence)
    worst = max(event.evidence, key=lambda line: line.verdict.severity, default=None)
    if worst is not None:
        told.append(worst.sentence)
    return "; ".join(one.rstrip(".") for one in told)


def _of_a_watch(event: events.PassWatched) -> str:
    degrees = [one.celsius for one in event.samples if one.celsius is not None]
    heat = f"{min(degrees)} to {max(degrees)} °C" if degrees else "its temperature is not known"
    rests = counted(len(event.heat_pauses), "pause")
    paused = f", {rests} to cool down" if event.heat_pauses else ""
    looks = counted(len(event.samples), "sample")
    return f"{event.doing} in pass {event.pass_id} was watched: {heat}{paused} ({looks})"


def _place(event: events.ProvingCheckpoint) -> str:
    if event.step in _STEPS_OVER_BYTES:
        return f"{event.step}, byte {event.next_byte}"
    return f"{event.step}"


def _of_a_certificate(event: events.DriveProved) -> str:
    found = event.certificate
    steps = [f"{one.step} {one.outcome}" for one in found.results]
    return f"proving {event.proving_id} ended, {found.verdict}: {', '.join(steps)}"


def _noted(note: str) -> str:
    return f": {note}" if note else ""
