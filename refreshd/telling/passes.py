"""What a pass did, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from refreshd.durations import counted
from refreshd.passes.bench import PassReport
from refreshd.quantities import Outcome, PassKind
from refreshd.verbs.care import TakenIn, Withdrawn
from refreshd.words import measured_words, size_words

_ENDED = {
    (PassKind.ACCESSION, Outcome.SUCCESS): "every chunk was read and its digest recorded",
    (PassKind.FIXITY, Outcome.SUCCESS): "everything was read and matches what was recorded",
    (PassKind.REFRESH, Outcome.SUCCESS): "what was due was rewritten, read back, and matches",
}
_NOTHING_WRITTEN = "all of it was read and matches; nothing (more) was due to be rewritten"


def pass_lines(report: PassReport) -> Iterator[str]:
    """Tell what a pass did; what it said on the way is not said again."""
    which = f"{report.drive}: {report.kind} pass {report.pass_id}"
    if report.stopped_by is not None:
        yield f"{which} has not reached the end of the drive."
    elif report.findings:
        yield f"{which} ended with {counted(len(report.findings), 'finding')}."
    elif report.outcome is Outcome.SUCCESS:
        yield f"{which} ended: {_ended_well(report)}."
    else:
        yield f"{which} ended well, with something to note."
    yield (
        f"Read {size_words(report.bytes_read)}, wrote {size_words(report.bytes_written)}, left "
        f"alone {size_words(report.bytes_skipped)}; that took {measured_words(report.seconds)}."
    )
    for mended in report.mended:
        yield f"Mended: {mended.span.length} bytes from byte {mended.span.start}: {mended.how}."
    for finding in report.findings:
        yield (
            f"{finding.id}: {finding.kind}, {finding.span.length} bytes from byte "
            f"{finding.span.start}."
        )
    if report.findings:
        yield f"`refreshd findings {report.drive}` says what to do about it."


def _ended_well(report: PassReport) -> str:
    """Say what a pass proved; a refresh that wrote nothing does not speak of rewriting."""
    if report.kind is PassKind.REFRESH and report.bytes_written == 0:
        return _NOTHING_WRITTEN
    return _ENDED[report.kind, Outcome.SUCCESS]


def taken_in_lines(taken: TakenIn) -> Iterator[str]:
    """Tell how a drive was taken into care."""
    card = taken.card
    if taken.report is not None:
        yield from pass_lines(taken.report)
    if taken.inventory is not None:
        found = taken.inventory
        yield (
            f"{card.number}: {counted(found.files, 'file')} of {size_words(found.file_bytes)} "
            f"listed with their digests, {counted(found.other_items, 'other item')}, "
            f"{found.unreadable_items} not readable."
        )
    if card.is_taken_in or taken.inventory is not None:
        yield f"{card.number} ({card.title}) is in care; its shelfmark is {card.shelfmark}."


def withdrawn_lines(withdrawn: Withdrawn) -> Iterator[str]:
    """Tell what remains of a drive that was withdrawn."""
    card = withdrawn.card
    yield (
        f"{card.number} ({card.title}, {card.shelfmark}) is no longer in care. The drive was not "
        "touched; its card, digests and journal entries stay, and its number is not given again."
    )
    if withdrawn.open_findings:
        yield f"{counted(withdrawn.open_findings, 'finding')} stood open."
    if withdrawn.unfinished:
        kinds = " and ".join(withdrawn.unfinished)
        yield f"Not finished and given up with it: {kinds}."
    if withdrawn.staged is not None:
        yield (
            f"Staged copies of an interrupted refresh are still in {withdrawn.staged}; delete "
            "that file when the drive's content is safe."
        )
