"""The tally of health: what readings, and the watching of passes, add up to.

Its rules are numbered on from those of `refreshd.service_tally`:

- T12 A reading, and what was watched of a pass, is of a drive in care.
- T13 The verdict on a card is that of the last reading that said something, with its evidence
  and its day. Silence keeps a warning and keeps no praise: after a reading that said nothing a
  drive that was fit for duty is "not known" again, since nobody knows what became of it, while
  a worse verdict stays as it was, since what failed does not mend by falling silent.
- T14 Neither the day of the last reading nor that of the verdict moves backwards; a reading
  that said nothing moves the first alone (I4).
- T15 A reading ended as its verdict says; and what is written down of one reading or of one
  run of a pass is bounded, whatever a drive gives (I8).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import assert_never

from refreshd.book import Book, in_care
from refreshd.cards import DriveCard
from refreshd.errors import require
from refreshd.events import Entry, HealthRead, PassWatched
from refreshd.health_cards import HealthEntry, HealthState, PassWatch, Route, Verdict
from refreshd.quantities import KIB

SAMPLES_MAX = 2_000
"""Samples, or heat pauses, of one run. Chosen: several times what a picture can show."""

PAGES_BYTES_MAX = 512 * KIB
"""All pages of one reading. Chosen: they are some KiB, and the largest logs some dozens."""

HealthEvent = HealthRead | PassWatched


def add_of_health(event: HealthEvent, entry: Entry, book: Book) -> None:
    """Add an event about a drive's health to a book."""
    card = in_care(event.drive, book)  # T12
    match event:
        case HealthRead():
            _add_reading(event, entry, card, book)
        case PassWatched():
            check_samples(len(event.samples), len(event.heat_pauses))
            book.put_watch(
                PassWatch(
                    drive=event.drive,
                    pass_id=event.pass_id,
                    at=entry.at,
                    doing=event.doing,
                    samples=event.samples,
                    heat_pauses=event.heat_pauses,
                )
            )
        case _:
            assert_never(event)


def check_samples(samples: int, heat_pauses: int) -> None:
    """Stop the program where more was written down of one run than anybody looks at (T15)."""
    require(
        max(samples, heat_pauses) <= SAMPLES_MAX,
        f"{samples} samples and {heat_pauses} heat pauses of one run are too many to be kept"
        f" (T15: {SAMPLES_MAX} of each)",
    )


def check_pages(size_bytes: int) -> None:
    """Stop the program where the pages of one reading are larger than any drive's (T15)."""
    require(
        size_bytes <= PAGES_BYTES_MAX,
        f"pages of {size_bytes} bytes are too many to be kept (T15: {PAGES_BYTES_MAX})",
    )


def _add_reading(event: HealthRead, entry: Entry, card: DriveCard, book: Book) -> None:
    require(
        event.outcome is event.verdict.outcome,
        f'a reading with the verdict "{event.verdict}" ended as {event.outcome} (T15)',
    )
    check_pages(sum(map(len, event.pages.values())))
    book.put_reading(
        HealthEntry(
            drive=event.drive,
            at=entry.at,
            moment=event.moment,
            pass_id=event.pass_id,
            reading=event.reading,
            verdict=event.verdict,
            evidence=event.evidence,
            changes=event.changes,
        )
    )
    book.put_card(replace(card, health=_state_after(card.health, event, entry.at.date())))


def _state_after(before: HealthState | None, event: HealthRead, day: date) -> HealthState:
    """Return where a drive's health stands after a reading (T13, T14)."""
    is_silent = event.reading.route is Route.SILENT
    found = HealthState(event.verdict, day, event.evidence, is_silent, day)
    is_said = not is_silent and event.verdict is not Verdict.NOT_KNOWN
    if before is None:
        return found if is_said else replace(found, judged_on=None)
    read_on = max(day, before.read_on)
    if is_said:
        judged_on = day if before.judged_on is None else max(day, before.judged_on)
        return replace(found, read_on=read_on, judged_on=judged_on)
    is_kept = before.verdict.severity > max(Verdict.FIT.severity, event.verdict.severity)
    stands = before if is_kept else found
    return replace(stands, read_on=read_on, is_silent=is_silent, judged_on=before.judged_on)
