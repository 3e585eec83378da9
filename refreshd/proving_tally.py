"""The tally of provings: what the acceptance tests of drives add up to.

Its rules are numbered on from those of `refreshd.health_tally`:

- T16 A number of a proving is given once, and numbers count up.
- T17 No drive in care is proved, since a proving may write over all of it: none begins, and
  taking a drive into care gives up its unfinished proving, which then cannot go on.
- T18 A drive has at most one unfinished proving. For this rule and the one before a drive is
  the same by the names that it gave itself; a drive without such names is known to nobody here.
- T19 What is recorded of a proving is of an unfinished one, and it goes on at a place on the
  drive. What was watched is thinned out, so that it is bounded.
- T20 A certificate says what was recorded: it is of the same drive, plan and beginning, holds
  every result that a checkpoint had, and is no better than the worst of its steps.
"""

from __future__ import annotations

from dataclasses import replace
from typing import assert_never

from refreshd.book import Book
from refreshd.cards import Evidence
from refreshd.errors import InvariantBrokenError, require
from refreshd.events import DriveProved, Entry, ProvingBegun, ProvingCheckpoint, ProvingGivenUp
from refreshd.health_cards import WatchSample
from refreshd.health_tally import SAMPLES_MAX, check_pages, check_samples
from refreshd.proving_cards import Proving, ProvingStep
from refreshd.quantities import Outcome, ProvingId, proving_serial

ProvingEvent = ProvingBegun | ProvingCheckpoint | DriveProved | ProvingGivenUp


def add_of_proving(event: ProvingEvent, entry: Entry, book: Book) -> None:
    """Add an event about the proving of a drive to a book."""
    if isinstance(event, ProvingBegun):
        _begin(event, entry, book)
        return
    proving = _unfinished(event.proving_id, book)
    match event:
        case ProvingCheckpoint():
            book.put_proving(_further(proving, event))
        case DriveProved():
            _check_certificate(event, proving)
            book.end_proving(proving.id, event.certificate)
        case ProvingGivenUp():
            book.end_proving(proving.id, None)
        case _:
            assert_never(event)


def give_up_provings_of(drive: Evidence, book: Book) -> None:
    """Give up the unfinished proving of a drive that is taken into care (T17)."""
    for proving in book.open_provings():
        if proving.evidence.is_surely_of(drive):
            book.end_proving(proving.id, None)


def _begin(event: ProvingBegun, entry: Entry, book: Book) -> None:
    highest = book.highest_proving()
    require(
        proving_serial(event.proving_id) > highest,
        f"proving {event.proving_id} was begun after P{highest}; numbers count up (T16)",
    )
    card = book.surely_in_care(event.evidence)
    if card is not None:
        raise InvariantBrokenError(
            f"proving {event.proving_id} was begun on {card.number}, which is in care (T17)"
        )
    for other in book.open_provings():
        require(
            not other.evidence.is_surely_of(event.evidence),
            f"proving {event.proving_id} was begun while {other.id} of the same drive is"
            " unfinished (T18)",
        )
    book.put_proving(
        Proving(
            id=event.proving_id,
            evidence=event.evidence,
            plan=event.plan,
            begun_at=entry.at,
            presence=event.presence,
            step=next(iter(ProvingStep)),
        )
    )


def _unfinished(number: ProvingId, book: Book) -> Proving:
    """Return the unfinished proving that an event is about (T19)."""
    for proving in book.open_provings():
        if proving.id == number:
            return proving
    raise InvariantBrokenError(f"{number} is no unfinished proving (T19)")


def _further(proving: Proving, event: ProvingCheckpoint) -> Proving:
    """Return a proving that came as far as a checkpoint says (T19)."""
    check_samples(len(event.samples), len(event.heat_pauses))
    check_pages(sum(map(len, event.pages_before.values())))
    require(
        0 <= event.next_byte <= proving.evidence.size_bytes,
        f"byte {event.next_byte}, at which proving {proving.id} goes on, is not on the drive (T19)",
    )
    rates = (*proving.rates, *event.rates)
    require(
        len(rates) <= SAMPLES_MAX,
        f"proving {proving.id} has {len(rates)} rates, too many to be kept (T19: {SAMPLES_MAX})",
    )
    return replace(
        proving,
        presence=event.presence,
        step=event.step,
        next_byte=event.next_byte,
        results=(*proving.results, *event.results),
        health_before=event.health_before or proving.health_before,
        samples=_thinned((*proving.samples, *event.samples)),
        heat_pauses=(*proving.heat_pauses, *event.heat_pauses)[-SAMPLES_MAX:],
        rates=rates,
    )


def _thinned(samples: tuple[WatchSample, ...]) -> tuple[WatchSample, ...]:
    """Return so many samples as are kept: of two neighbours the hotter one stays."""
    while len(samples) > SAMPLES_MAX:
        pairs = zip(samples[::2], samples[1::2], strict=False)
        odd = samples[-1:] if len(samples) % 2 else ()
        samples = (*(max(pair, key=lambda one: one.celsius or 0) for pair in pairs), *odd)
    return samples


def _check_certificate(event: DriveProved, proving: Proving) -> None:
    """Stop the program where a certificate says anything else than what was recorded (T20)."""
    certificate = event.certificate
    check_samples(len(certificate.samples), len(certificate.heat_pauses))
    check_samples(len(certificate.rates), 0)
    check_pages(sum(map(len, event.pages_after.values())))
    require(
        (certificate.id, certificate.plan, certificate.begun_at)
        == (proving.id, proving.plan, proving.begun_at)
        and _names(certificate.evidence) == _names(proving.evidence),
        f"a certificate is of another drive or plan than proving {proving.id} (T20)",
    )
    require(
        set(proving.results) <= set(certificate.results),
        f"the certificate of proving {proving.id} lacks results that were recorded (T20)",
    )
    worst = max((list(Outcome).index(one.outcome) for one in certificate.results), default=0)
    require(
        list(Outcome).index(certificate.outcome) >= worst,
        f"the certificate of proving {proving.id} is better than the worst of its steps (T20)",
    )
    require(
        event.outcome is certificate.outcome,
        f"proving {proving.id} ended as {event.outcome}, its certificate as"
        f" {certificate.outcome} (T20)",
    )


def _names(evidence: Evidence) -> tuple[int, str | None, str | None, str | None]:
    """Return what stays the same of a drive while it is written over."""
    return evidence.size_bytes, evidence.wwn, evidence.model, evidence.serial
