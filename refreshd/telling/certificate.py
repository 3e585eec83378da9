"""The certificate of a proving: one page of plain text, a list of them, and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from textwrap import wrap

from refreshd.cards import Evidence
from refreshd.durations import counted
from refreshd.passes.proving.certifying import advice, headline, not_tested
from refreshd.proving_cards import (
    RESULT_WORDS,
    Certificate,
    Proving,
    ProvingPlan,
    ProvingStep,
    RatePlace,
)
from refreshd.quantities import Outcome
from refreshd.telling.as_json import JsonObject, evidence_object, moment
from refreshd.telling.health_as_json import pause_object, reading_object, sample_object
from refreshd.telling.tables import table_lines
from refreshd.verbs.proving import Proved, ProvingList
from refreshd.words import measured_words, size_words

WIDTH = 78
"""Columns of a page that anybody can print."""

_STEP = {
    Outcome.SUCCESS: "good",
    Outcome.WARNING: "with a remark",
    Outcome.FAIL: "bad",
}


def certificate_lines(proved: Proved) -> Iterator[str]:
    """Tell a certificate on one page."""
    certificate = proved.certificate
    yield f"Certificate of proving {certificate.id}"
    yield ""
    yield from _facts(certificate)
    yield ""
    yield from _wrapped(headline(certificate))
    yield ""
    for step in ProvingStep:
        yield from _step_lines(certificate, step)
    yield ""
    yield "Not tested"
    for sentence in not_tested(certificate):
        yield from _item(sentence)
    yield ""
    yield "What to do"
    for sentence in advice(certificate):
        yield from _item(sentence)
    yield ""
    yield from _signed(proved)


def _facts(certificate: Certificate) -> Iterator[str]:
    took_s = (certificate.ended_at - certificate.begun_at).total_seconds()
    written = "written over, read back and compared" if certificate.plan.is_writing else "read"
    over = ", what it carried included" if certificate.plan.is_erasing else ""
    facts = [
        ("Drive", drive_words(certificate.evidence)),
        ("Size", _size(certificate.evidence)),
        ("Begun", moment(certificate.begun_at)),
        ("Ended", f"{moment(certificate.ended_at)}, after {measured_words(took_s)}"),
        ("Method", f"all of it {written}{over}"),
        ("Health", str(certificate.verdict)),
    ]
    if temperature := _temperature(certificate):
        facts.append(("Temperature", temperature))
    for name, value in facts:
        yield from _wrapped(value, f"{name:<13}", " " * 13)


def drive_words(evidence: Evidence) -> str:
    """Name a drive by what it says of itself."""
    return evidence.name_words or f"{evidence.carrier.words} without names"


def _size(evidence: Evidence) -> str:
    return f"{size_words(evidence.size_bytes)} ({evidence.size_bytes} bytes)"


def _temperature(certificate: Certificate) -> str:
    degrees = [one.celsius for one in certificate.samples if one.celsius is not None]
    if not degrees:
        return ""
    pauses = len(certificate.heat_pauses)
    rested = f", {counted(pauses, 'rest')} to cool down" if pauses else ""
    low, high = min(degrees), max(degrees)
    span = f"{low} °C" if low == high else f"{low} to {high} °C"
    return f"{span} at work{rested}"


def _step_lines(certificate: Certificate, step: ProvingStep) -> Iterator[str]:
    """Tell what a step found; one step may have several results."""
    results = [one for one in certificate.results if one.step is step]
    if not results:
        return
    order = list(Outcome)
    worst = max((one.outcome for one in results), key=order.index)
    yield f"{step.capitalize()}: {_STEP[worst]}"
    for result in results:
        for sentence in result.sentences:
            yield from _item(sentence)


def _signed(proved: Proved) -> Iterator[str]:
    if proved.sequence is None:
        return
    yield f"Record {proved.sequence} of the journal:"
    yield f"  SHA-256 {proved.digest}"
    yield from _wrapped(
        "This page says what that record says. `refreshd journal verify` shows that the journal "
        "is untouched."
    )


def _item(sentence: str) -> Iterator[str]:
    yield from _wrapped(sentence, "  ", "  ")


def _wrapped(text: str, first: str = "", other: str = "") -> Iterator[str]:
    yield from wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=other,
        break_on_hyphens=False,
        break_long_words=False,
    )


# ── the list ──


def proving_list_lines(known: ProvingList, width: int | None = None) -> Iterator[str]:
    """Tell which drives were proved, and which are being proved."""
    if not (known.certificates or known.unfinished):
        yield "No drive was proved here yet."
        return
    rows = [*map(_row, known.certificates), *map(_unfinished_row, known.unfinished)]
    yield from table_lines(("Proving", "Ended", "Result", "Method", "Size", "Drive"), rows, width)


def _method(plan: ProvingPlan) -> str:
    """Say whether a drive was written over or only read: the second proves much less."""
    return "written and read" if plan.is_writing else "read only"


def _row(certificate: Certificate) -> Sequence[str]:
    return (
        certificate.id,
        certificate.ended_at.date().isoformat(),
        RESULT_WORDS[certificate.outcome],
        _method(certificate.plan),
        size_words(certificate.evidence.size_bytes),
        drive_words(certificate.evidence),
    )


def _unfinished_row(proving: Proving) -> Sequence[str]:
    size = proving.evidence.size_bytes
    is_by_bytes = proving.step in {ProvingStep.WRITE, ProvingStep.READ}
    share = f", {100 * proving.next_byte // size} %" if is_by_bytes else ""
    return (
        proving.id,
        "-",
        f"not finished: {proving.step}{share}",
        _method(proving.plan),
        size_words(size),
        drive_words(proving.evidence),
    )


# ── JSON ──


def certificate_object(proved: Proved) -> JsonObject:
    """Return a certificate."""
    certificate, plan = proved.certificate, proved.certificate.plan
    before, after = certificate.health_before, certificate.health_after
    return {
        "proving": certificate.id,
        "outcome": certificate.outcome.value,
        "says": headline(certificate),
        "drive": evidence_object(certificate.evidence),
        "begun_at": moment(certificate.begun_at),
        "ended_at": moment(certificate.ended_at),
        "plan": {
            "is_writing": plan.is_writing,
            "is_erasing": plan.is_erasing,
            "self_tests": [kind.value for kind in plan.self_tests],
            "seed": plan.seed,
            "chunk_bytes": plan.chunk_bytes,
        },
        "verdict": certificate.verdict.value,
        "results": [
            {
                "step": one.step.value,
                "outcome": one.outcome.value,
                "sentences": list(one.sentences),
            }
            for one in certificate.results
        ],
        "not_tested": list(not_tested(certificate)),
        "advice": list(advice(certificate)),
        "health_before": None if before is None else reading_object(before),
        "health_after": None if after is None else reading_object(after),
        "rates": _rate_objects(certificate.rates),
        "samples": [sample_object(one) for one in certificate.samples],
        "heat_pauses": [pause_object(one) for one in certificate.heat_pauses],
        "record": {"sequence": proved.sequence, "digest": proved.digest or None},
    }


def _rate_objects(rates: Iterable[RatePlace]) -> list[JsonObject]:
    return [
        {
            "start_byte": one.start,
            "length_bytes": one.length,
            "bytes_per_s": one.rate_bytes_per_s,
            "is_slow": one.is_slow,
        }
        for one in rates
    ]


def proving_list_object(known: ProvingList) -> JsonObject:
    """Return which drives were proved, and which are being proved."""
    return {
        "certificates": [
            {
                "proving": one.id,
                "outcome": one.outcome.value,
                "ended_at": moment(one.ended_at),
                "drive": evidence_object(one.evidence),
                "is_writing": one.plan.is_writing,
            }
            for one in known.certificates
        ],
        "unfinished": [
            {
                "proving": one.id,
                "begun_at": moment(one.begun_at),
                "step": one.step.value,
                "next_byte": one.next_byte,
                "drive": evidence_object(one.evidence),
                "is_writing": one.plan.is_writing,
            }
            for one in known.unfinished
        ],
    }
