"""What follows from a certificate, and what it does not say. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from refreshd.health_cards import SelfTestKind, Verdict
from refreshd.passes.proving.running import steps_of
from refreshd.proving_cards import Certificate, ProvingStep
from refreshd.quantities import Outcome

_NAMES = {
    ProvingStep.CAPACITY: "whether it holds as much as it claims",
    ProvingStep.WRITE: "writing all of it",
    ProvingStep.READ: "reading all of it",
    ProvingStep.SHORT_TEST: "its short self-test",
    ProvingStep.EXTENDED_TEST: "its extended self-test",
}


def headline(certificate: Certificate) -> str:
    """Return in one sentence what a proving came to."""
    return {
        Outcome.SUCCESS: "It passed: nothing was found that speaks against keeping content on it.",
        Outcome.WARNING: (
            "It passed what could be tested, with remarks: read them before content is kept on it."
        ),
        Outcome.FAIL: "It failed: no content should be kept on it.",
    }[certificate.outcome]


def not_tested(certificate: Certificate) -> Iterator[str]:
    """Yield what the proving says nothing of."""
    plan, done = certificate.plan, {one.step for one in certificate.results}
    missing = [_NAMES[step] for step in steps_of(plan) if step in _NAMES and step not in done]
    if missing:
        yield f"Not come to, since it failed before: {', '.join(missing)}."
    if not plan.is_writing:
        yield "Writing: nothing was written, so that neither writing nor its capacity was tested."
    if SelfTestKind.EXTENDED not in plan.self_tests:
        yield "Its extended self-test was left out."
    for one in certificate.results:
        is_test = one.step in {ProvingStep.SHORT_TEST, ProvingStep.EXTENDED_TEST}
        if is_test and one.outcome is Outcome.WARNING:
            yield f"The {one.step} gave no result."
    if certificate.verdict is Verdict.NOT_KNOWN:
        yield "How it is by its own counters: it does not say, or nothing here could ask it."
    yield "How it will be after years, on a shelf or at work: a test of days does not tell that."


def advice(certificate: Certificate) -> Iterator[str]:
    """Yield what to do now."""
    if certificate.outcome is Outcome.FAIL:
        if not certificate.plan.is_writing:
            yield "What it carries was left as it was: copy it to another drive first."
        yield (
            "Keep nothing on it. If cable, dock or memory may be the cause, prove it again "
            "elsewhere with --anew; else return it to where it was bought, with this certificate."
        )
        return
    if certificate.plan.is_writing:
        yield (
            "All of it holds the test pattern now. Make a file system, copy what it is to keep, "
            "then take it into care with `refreshd accession`."
        )
    else:
        yield "What it carried was left as it was. `refreshd accession` takes it into care."
