"""Records about the health of drives and their provings, one sentence each."""

from __future__ import annotations

from typing import assert_never

from refreshd import events
from refreshd.cards import Evidence
from refreshd.durations import counted
from refreshd.health_tally import HealthEvent
from refreshd.proving_cards import RESULT_WORDS, ProvingStep
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
            return f"proving {event.proving_id} began on {_drive(event.evidence)}: {_done(event)}"
        case events.ProvingCheckpoint():
            found = [line for result in event.results for line in result.sentences]
            return _joined(f"proving {event.proving_id} came to {_place(event)}", *found)
        case events.DriveProved():
            return _of_a_certificate(event)
        case events.ProvingGivenUp():
            return f"proving {event.proving_id} was given up: {event.why}"
        case _:
            assert_never(event)


def _of_a_reading(event: events.HealthRead) -> str:
    """Say the verdict, and the worst of what speaks for it."""
    worst = max(event.evidence, key=lambda line: line.verdict.severity, default=None)
    said = "" if worst is None or worst.is_praise else worst.sentence
    return _joined(f"health {event.moment}: {event.verdict}", event.reading.silence, said)


def _of_a_watch(event: events.PassWatched) -> str:
    degrees = [one.celsius for one in event.samples if one.celsius is not None]
    told = [f"{min(degrees)} to {max(degrees)} °C" if degrees else "temperature not known"]
    if event.heat_pauses:
        told.append(f"{counted(len(event.heat_pauses), 'pause')} to cool down")
    told.append(counted(len(event.samples), "sample"))
    return f"pass {event.pass_id} was watched ({event.doing}): {', '.join(told)}"


def _done(event: events.ProvingBegun) -> str:
    """Say what is done to the drive."""
    size = size_words(event.evidence.size_bytes)
    if not event.plan.is_writing:
        return f"all {size} are read"
    over = ", over what it held" if event.plan.is_erasing else ""
    return f"all {size} are written, then read{over}"


def _place(event: events.ProvingCheckpoint) -> str:
    where = f", byte {event.next_byte}" if event.step in _STEPS_OVER_BYTES else ""
    return f"{event.step}{where}{f': {event.note}' if event.note else ''}"


def _of_a_certificate(event: events.DriveProved) -> str:
    found = event.certificate
    steps = ", ".join(f"{one.step} {one.outcome}" for one in found.results)
    came_to = RESULT_WORDS[found.outcome]
    how = "written and read" if found.plan.is_writing else "read only"
    ended = (
        f"proving {event.proving_id} of {_drive(found.evidence)} ended: {came_to}, {how}; health: "
        f"{found.verdict}"
    )
    return f"{ended} ({steps})" if steps else ended


def _drive(evidence: Evidence) -> str:
    """Name a drive that has no number yet."""
    names = [
        f"model {evidence.model}" if evidence.model else "",
        f"serial {evidence.serial}" if evidence.serial else "",
    ]
    return ", ".join(filter(None, names)) or f"{evidence.carrier.words} without a name"


def _joined(*sentences: str) -> str:
    """Join sentences into one line."""
    return ". ".join(one.rstrip(".") for one in sentences if one)
