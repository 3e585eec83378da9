"""Records of the journal, one line each; and what a verification found."""

from __future__ import annotations

from collections.abc import Iterator
from typing import assert_never

from refreshd import events
from refreshd.adapters.export import Exported
from refreshd.durations import counted
from refreshd.events import Entry, Event
from refreshd.health_tally import HealthEvent
from refreshd.proving_tally import ProvingEvent
from refreshd.service_tally import ServiceEvent
from refreshd.telling.health_records import health_sentence
from refreshd.telling.service_records import service_sentence
from refreshd.wiring.shelf import JournalVerified
from refreshd.words import medium_words, size_words


def entry_line(entry: Entry) -> str:
    """Tell one record: time (Z: UTC), drive, label, outcome, sentence."""
    event = entry.event
    at = entry.at.strftime("%Y-%m-%d %H:%M:%SZ")
    return (
        f"{at}  {event.drive or '-':<8}  {entry.label}  {event.outcome}: {sentence(event)} "
        f"[{entry.sequence}]"
    )


def sentence(event: Event) -> str:
    """Return what happened, in words."""
    if isinstance(event, ServiceEvent):
        return service_sentence(event)
    if isinstance(event, HealthEvent | ProvingEvent):
        return health_sentence(event)
    match event:
        case (
            events.JournalOpened()
            | events.TornLineKept()
            | events.CatalogueBroughtUp()
            | events.ClockAttested()
            | events.IdentityRefused()
            | events.ChannelFailed()
        ):
            return _of_the_record(event)
        case (
            events.DriveAccessioned()
            | events.CardCorrected()
            | events.DriveWithdrawn()
            | events.DriveHeld()
            | events.HoldLifted()
            | events.InventoryTaken()
        ):
            return _of_a_card(event)
        case (
            events.PassBegun()
            | events.PassResumed()
            | events.PassEnded()
            | events.PassInterrupted()
            | events.FixityChecked()
            | events.DriveRewritten()
        ):
            return _of_a_pass(event)
        case _:
            return _of_a_range(event)


def _of_the_record(
    event: events.JournalOpened
    | events.TornLineKept
    | events.CatalogueBroughtUp
    | events.ClockAttested
    | events.IdentityRefused
    | events.ChannelFailed,
) -> str:
    match event:
        case events.JournalOpened():
            return f"the journal was opened by {event.program}"
        case events.TornLineKept():
            bytes_there = f"its {event.length_bytes} bytes are in {event.file}"
            return f"a power cut tore the last line; {bytes_there}"
        case events.CatalogueBroughtUp():
            return (
                f"the catalogue was an old copy and was brought up from record "
                f"{event.from_sequence} to {event.to_sequence}"
            )
        case events.ClockAttested():
            return f"{event.said_by} looked at the clock and says that it is right"
        case events.IdentityRefused():
            return f"refused: {event.reason}"
        case events.ChannelFailed():
            return f"{event.channel} takes no notices: {event.why}"
        case _:
            assert_never(event)


def _of_a_card(
    event: events.DriveAccessioned
    | events.CardCorrected
    | events.DriveWithdrawn
    | events.DriveHeld
    | events.HoldLifted
    | events.InventoryTaken,
) -> str:
    match event:
        case events.DriveAccessioned():
            what = f"{medium_words(event.medium)} of {size_words(event.evidence.size_bytes)}"
            return f"taken into care: {event.title}, {event.shelfmark}, {what}"
        case events.CardCorrected():
            return f"the card was corrected: {_changes(event)}"
        case events.DriveWithdrawn():
            return f"withdrawn{f': {event.reason}' if event.reason else ''}"
        case events.DriveHeld():
            return f"on hold, nothing may be written to it: {event.reason}"
        case events.HoldLifted():
            return f"the hold was lifted: {event.reason}"
        case events.InventoryTaken():
            size = size_words(event.file_bytes)
            files = counted(event.files, "file")
            return f"{files} of {size} listed, {event.unreadable_items} not readable"
        case _:
            assert_never(event)


def _changes(event: events.CardCorrected) -> str:
    fields = {
        "shelfmark": event.shelfmark,
        "title": event.title,
        "medium": event.medium,
        "written on": event.claimed_written_on,
        "holding": event.holding,
    }
    changed = ((name, value) for name, value in fields.items() if value is not None)
    return ", ".join(f"{name} {value}" if value else f"no {name}" for name, value in changed)


def _of_a_pass(
    event: events.PassBegun
    | events.PassResumed
    | events.PassEnded
    | events.PassInterrupted
    | events.FixityChecked
    | events.DriveRewritten,
) -> str:
    match event:
        case events.PassBegun():
            return f"{event.pass_kind} pass {event.pass_id} began"
        case events.PassResumed():
            return f"pass {event.pass_id} goes on at chunk {event.next_chunk}"
        case events.PassEnded():
            how = "reached the end" if event.reached_end else "was given up"
            note = f": {event.note}" if event.note else ""
            findings = counted(event.findings, "finding")
            return f"{event.pass_kind} pass {event.pass_id} {how}, {findings}{note}"
        case events.PassInterrupted():
            return f"pass {event.pass_id} stopped: {event.reason}"
        case events.FixityChecked():
            return (
                f"{event.moment}: {size_words(event.bytes_checked)} read; chunks: "
                f"{event.chunks_matched} match, {event.chunks_differing} differ, "
                f"{event.chunks_unreadable} unreadable ({event.method})"
            )
        case events.DriveRewritten():
            return (
                f"{size_words(event.bytes_rewritten)} rewritten in place and proved, "
                f"{size_words(event.bytes_skipped)} left alone"
            )
        case _:
            assert_never(event)


def _of_a_range(
    event: events.DigestsRecorded
    | events.ChunksProved
    | events.FindingOpened
    | events.FindingClosed
    | events.FindingAccepted
    | events.RangeMended
    | events.PathDoubted
    | events.StagedBytesKept,
) -> str:
    match event:
        case events.DigestsRecorded():
            return f"digests recorded from chunk {event.first_chunk}"
        case events.ChunksProved():
            return f"{event.pass_id} is settled up to chunk {event.next_chunk}"
        case events.RangeMended():
            return f"{event.length_bytes} bytes from byte {event.start_byte} {event.how}"
        case events.PathDoubted():
            return f"two readings of the chunk at byte {event.start_byte} differed"
        case events.StagedBytesKept():
            return f"staged bytes for byte {event.start_byte} on are kept in {event.file}"
        case _:
            return _of_a_finding(event)


def _of_a_finding(
    event: events.FindingOpened | events.FindingClosed | events.FindingAccepted,
) -> str:
    match event:
        case events.FindingOpened():
            where = f"{event.length_bytes} bytes from byte {event.start_byte}"
            return f"{event.finding_id}: {event.finding_kind}, {where}"
        case events.FindingClosed():
            return f"{event.finding_id} no longer stands: {event.how}"
        case events.FindingAccepted():
            return f"{event.finding_id}: {event.said_by} says that the new bytes are right"
        case _:
            assert_never(event)


CHAIN_IS_WHOLE = (
    "The chain is whole: no record was edited, removed, added or moved. (Only a journal written "
    "anew from its first record, or journal and catalogue both put back to an earlier day, would "
    "look the same; an export kept elsewhere shows that.)"
)


RECORDS_ARE_WHOLE = (
    "No record that is here was edited, removed from among the others, added or moved; whether "
    "any are missing at the end cannot be told. An export kept elsewhere shows that."
)


def verified_lines(checked: JournalVerified) -> Iterator[str]:
    """Tell what the journal was found to be."""
    found = checked.verification
    if found.head is not None:
        sequence, digest = found.head
        yield f"{counted(found.records, 'record')}, the last is record {sequence}, digest {digest}."
    elif not found.problems:
        yield "The journal is empty."
    for problem in found.problems:
        yield f"{problem}."
    if not found.is_complete:
        yield "So much is wrong that the rest was not read."
    if checked.unasked:
        yield f"The catalogue could not say where the journal ends: {checked.unasked}."
    whole = RECORDS_ARE_WHOLE if checked.unasked else CHAIN_IS_WHOLE
    if found.is_untouched and found.problems:
        yield f"The torn line is what a power cut leaves. {whole}"
    elif found.is_untouched:
        yield whole
    else:
        yield "The journal was changed or damaged. An export has the records as they were."


def exported_lines(exported: Exported) -> Iterator[str]:
    """Tell what was exported, and how anybody can check it."""
    yield (
        f"{counted(exported.records, 'record')} of the journal and the catalogue are in "
        f"{exported.directory}, {size_words(exported.total_bytes)} in {exported.files} files."
    )
    yield "`sha256sum -c manifest-sha256.txt` checks them there. Keep them away from this server."
    if not exported.verification.is_untouched:
        yield "The journal was changed or damaged before; it was copied as it is:"
        yield from (f"{problem}." for problem in exported.verification.problems)
