"""What people are told, in plain sentences: a subject of one line, and a body."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from refreshd.cards import DriveCard, Evidence, Finding
from refreshd.durations import counted
from refreshd.health_cards import HealthState, Verdict
from refreshd.passes.proving.work import is_stopped_by_hand
from refreshd.ports import Notice, Urgency
from refreshd.proving_cards import Certificate, Proving
from refreshd.quantities import FindingKind, Outcome, PassKind, SlipNumber
from refreshd.slip_words import (
    Sheet,
    batch_lines,
    batch_subject,
    escalated_line,
    folded,
    sheet_lines,
    sheet_title,
    stage_of,
)
from refreshd.words import size_words

FINDINGS_SHOWN = 10
EVIDENCE_SHOWN = 8
STEPS_SHOWN = 40


def alarm(subject: str, body: str) -> Notice:
    """Return a notice that something went wrong."""
    return Notice(Urgency.ALARMS, subject, body)


def clock_doubted(doubt: str) -> Notice:
    """Say that nothing is dated any more (I4)."""
    return alarm(
        "The clock of this server is not believed: nothing is planned or begun",
        f"{doubt}.\n\nUntil then no slip is issued, no pass begins and nothing is dated. "
        "`refreshd journal attest-clock` attests that the clock is right.",
    )


def clock_believed() -> Notice:
    """Say that the clock is believed again."""
    return alarm("The clock of this server is believed again", "Planning and passes go on.")


def no_records(why: str) -> Notice:
    """Say that nothing can be written down."""
    return alarm(
        "Nothing can be recorded: no pass begins",
        f"{why}.\n\nThe service goes on watching, and tries again every minute. Drives that are "
        "plugged in are left alone until then.",
    )


def records_again() -> Notice:
    """Say that records can be written again."""
    return alarm("Records can be written again", "Passes go on.")


# --- Drives that come


def stranger(node: str, evidence: Evidence) -> Notice:
    """Say that a drive that is not in care was plugged in, and how to take it into care."""
    return Notice(
        Urgency.SLIPS,
        f"A drive that is not in care was plugged in at {node}",
        f"{evidence_words(evidence)}.\nIt was not written to, and will not be.\n\nTo take it into "
        f'care: refreshd accession {node} --number NUMBER --shelfmark "ROOM, BOX" --title TITLE\n'
        "Otherwise unplug it. This is said once for each drive.",
    )


def evidence_words(evidence: Evidence) -> str:
    """Return what a drive says about itself. It is a stranger's text: shown, never believed."""
    said = [size_words(evidence.size_bytes)]
    said += [f"{name} {_printable(text)}" for name, text in _names(evidence) if text]
    return ", ".join(said)


def _names(evidence: Evidence) -> Iterable[tuple[str, str | None]]:
    return (
        ("model", evidence.model),
        ("serial number", evidence.serial),
        ("world-wide name", evidence.wwn),
    )


def _printable(text: str) -> str:
    """Return a stranger's text on one line, without signs that steer a terminal (I8)."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)[:80]


def unclear(node: str, why: str) -> Notice:
    """Say that it could not be told which drive this is."""
    return alarm(
        f"It is not clear which drive is at {node}",
        f"{why}.\n\nIt is left alone. When the reason is gone, unplug it and plug it in again.",
    )


def claimed_twice(card: DriveCard, nodes: Sequence[str]) -> Notice:
    """Say that two disks claim to be the same drive."""
    return alarm(
        f"Two disks claim to be {card.number}: neither is worked on",
        f"{', '.join(nodes)} all look like {drive_words(card)}. One of them is mistaken for the "
        "other, or one drive is plugged in by two ways. Unplug all but the right one.",
    )


def waits(card: DriveCard, why: str) -> Notice:
    """Say that a drive that is here must wait."""
    return Notice(
        Urgency.SLIPS,
        f"{card.number} is here and waits",
        f"{drive_words(card)}: its pass does not begin yet, since {why}.\nIt begins by itself "
        "when nothing speaks against it any more.",
    )


def held(card: DriveCard, why: str) -> Notice:
    """Say that a drive that is here will not be worked on until somebody acts."""
    return alarm(
        f"{card.number} is here, but its pass cannot begin",
        f"{drive_words(card)}: {why}.\nSettle this, or unplug the drive and put it back.",
    )


def offered(card: DriveCard, next_due: str) -> Notice:
    """Say that a drive is here for which nothing is due, and what could be done with it."""
    return Notice(
        Urgency.SLIPS,
        f"{card.number} is here; nothing is due for it",
        f"{drive_words(card)}: {next_due}.\nIt is left alone. What could be done with it now: "
        f"`refreshd fixity {card.number}` reads all of it and compares, `refreshd refresh "
        f"{card.number}` writes it again as well. Otherwise unplug it and put it back.",
    )


# --- Passes


def found(card: DriveCard, findings: Sequence[Finding]) -> Notice:
    """Say what a pass found, and what to do."""
    shown = [f"- {finding_words(one)}" for one in findings[:FINDINGS_SHOWN]]
    if len(findings) > FINDINGS_SHOWN:
        shown.append(f"- and {len(findings) - FINDINGS_SHOWN} more")
    return alarm(
        f"{card.number}: {counted(len(findings), 'open finding')}",
        f"{drive_words(card)}.\n" + "\n".join(shown) + "\n\nNothing was written there. "
        f"`refreshd findings {card.number}` shows all.{''.join(_advice(card, findings))}",
    )


def _advice(card: DriveCard, findings: Sequence[Finding]) -> Iterable[str]:
    """Say what to do; what cannot be read cannot be accepted either."""
    kinds = {one.kind for one in findings}
    if FindingKind.UNREADABLE in kinds:
        yield (
            "\nWhat cannot be read: try another dock and cable with a fixity pass. What stays "
            "unreadable has to come from another copy."
        )
    if FindingKind.MISMATCH in kinds:
        yield (
            "\nWhat differs: compare with another copy of the content; if the bytes are right as "
            f"they are now, `refreshd accept {card.number}` says so."
        )


def finding_words(one: Finding) -> str:
    """Return one finding in a line."""
    what = "cannot be read" if one.kind is FindingKind.UNREADABLE else "differs from the record"
    note = f" ({one.note})" if one.note else ""
    return f"{one.id}: {size_words(one.span.length)} from byte {one.span.start} {what}{note}"


def failed(card: DriveCard, kind: PassKind, why: str, next_step: str) -> Notice:
    """Say that a pass failed."""
    return alarm(
        f"{card.number}: the {kind.words} did not get to its end",
        f"{drive_words(card)}: {why}.\n{next_step}",
    )


def proving_failed(node: str, why: str, next_step: str) -> Notice:
    """Say that a proving did not get to its certificate."""
    return alarm(
        f"The proving of the disk at {node} did not get to its end", f"{why}.\n{next_step}"
    )


# --- Health, and proving


def worse(card: DriveCard, health: HealthState) -> Notice:
    """Say that the health of a drive asks for something, why, and what."""
    is_held = health.verdict is Verdict.DO_NOT_WRITE
    subject = "nothing is written to it any more" if is_held else "it is to be replaced"
    shown = [f"- {reason}" for reason in health.reasons[:EVIDENCE_SHOWN]]
    after = (
        "It is on hold: from now on it is only read, and no refresh is asked for. "
        if is_held
        else "The plan asks for no refresh any more: from now on it is only read. "
    )
    return alarm(
        f"{card.number}: {subject}; copy its content off",
        f"{drive_words(card)}: {health.verdict}, by its own account of {health.read_on}.\n"
        + "\n".join(shown)
        + f"\n\n{after}What to do: see where the other copies of its content are; copy it to "
        "another drive while this one can still be read, the rarest content first; then take "
        f"the new drive into care and this one out of it (`refreshd withdraw {card.number}`). "
        f"`refreshd health {card.number}` tells how it came to that.",
    )


def proved(node: str, certificate: Certificate) -> Notice:
    """Say what a proving found, and how to take the disk into care if it may be."""
    which = evidence_words(certificate.evidence)
    said = [f"- {one}" for step in certificate.results for one in step.sentences][:STEPS_SHOWN]
    told = "\n".join([f"{which}.", *said])
    if certificate.outcome is Outcome.FAIL:
        return alarm(
            f"The disk at {node} did not pass its proving: give it back",
            f"{told}\n\nPut no content on it. `refreshd prove {node} --certificate` shows the "
            "whole certificate, for whoever sold it.",
        )
    with_note = "" if certificate.outcome is Outcome.SUCCESS else ", with something to note"
    return Notice(
        Urgency.SLIPS,
        f"The disk at {node} passed its proving{with_note}",
        f"{told}\n\nOnce it holds its content, take it into care: refreshd accession {node} "
        '--number NUMBER --shelfmark "ROOM, BOX" --title TITLE',
    )


def proving_waits(node: str, evidence: Evidence, proving: Proving) -> Notice:
    """Say that a proving could go on, and why it does not by itself."""
    why = "writes to it, and it was unplugged since: what was put on it meanwhile would be lost"
    if is_stopped_by_hand(proving):
        why = "was stopped by hand"
    return Notice(
        Urgency.SLIPS,
        f"A disk is at {node} whose proving was cut short",
        f"{evidence_words(evidence)}.\nIts proving of {proving.begun_at:%Y-%m-%d} {why}, so that "
        f"it does not go on by itself.\n\nTo go on: refreshd prove {node}\nOtherwise unplug it.",
    )


def hangs(node: str, card: DriveCard | None, why: str) -> Notice:
    """Say that a drive does not answer."""
    whose = f"The disk at {node}" if card is None else drive_words(card)
    return alarm(
        f"{f'The disk at {node}' if card is None else card.number} does not answer",
        f"{whose}: {why}.\nIf it does not come back by itself, look at cable and "
        "power; unplugging it loses nothing, since its pass goes on from its last checkpoint.",
    )


def left_alone(node: str, card: DriveCard | None, why: str) -> Notice:
    """Say that a seat is of no use until its drive is gone."""
    return alarm(
        f"The drive at {node} hangs in the kernel",
        f"{'This disk' if card is None else drive_words(card)}: {why}.\nNothing can be done "
        "with it where it is. Unplug it, wait until it stands still, and plug it in again; a pass "
        "goes on from its last checkpoint.",
    )


def pulled(card: DriveCard, what: str) -> Notice:
    """Say that a drive was unplugged at the wrong moment."""
    return alarm(
        f"{card.number} was unplugged before it might be",
        f"{drive_words(card)}: {what}.\nPlease plug it in again, at any port: what was begun goes "
        "on from its last checkpoint. Nothing is lost.",
    )


# --- Drives that go, and slips


def not_released(card: DriveCard | None, node: str, why: str) -> Notice:
    """Say that a drive must not be unplugged yet."""
    whose = f"The disk at {node}" if card is None else str(card.number)
    return alarm(
        f"{whose} could not be stopped: do not unplug it yet",
        f"{why}.\nIt is tried again. Switching the server off before unplugging is safe.",
    )


def left_connected(sheet: Sheet, since: str, today: date) -> Notice:
    """Say that a drive is still plugged in, though it is done with."""
    return Notice(
        Urgency.SLIPS,
        f"{sheet.card.number} is still plugged in",
        f"{drive_words(sheet.card)}: {since}.\n\n" + _text(sheet_lines(sheet, today)),
        ((sheet.slip.number, stage_of(sheet.slip)),),
    )


def still_waits(card: DriveCard, why: str) -> Notice:
    """Say that a drive is connected and waits for longer than a drive should be connected."""
    return Notice(
        Urgency.SLIPS,
        f"{card.number} is still plugged in and waits",
        f"{drive_words(card)}: {why}.\nA drive that stays connected is no defence against "
        "malicious software: unplug it if that goes on for long. It will be asked for again.",
    )


def bring(sheets: Sequence[Sheet], today: date, *, is_reminder: bool = False) -> Notice:
    """Ask for drives."""
    subject = batch_subject(sheets)
    return Notice(
        Urgency.SLIPS,
        f"Reminder: {subject}" if is_reminder else subject,
        _text(batch_lines(sheets, today)),
        _stages(sheets),
    )


def escalate(sheets: Sequence[Sheet], today: date) -> Notice:
    """Tell those whom an escalation reaches what is not done; they may not have heard of it yet."""
    numbers = ", ".join(sheet.card.number for sheet in sheets)
    lines = ((escalated_line(sheet), "", *sheet_lines(sheet, today), "") for sheet in sheets)
    return Notice(
        Urgency.ESCALATIONS,
        f"Still not done: {numbers}",
        _text(line for of_sheet in lines for line in of_sheet),
        _stages(sheets),
    )


def backlog(sentence: str) -> Notice:
    """Say what is past its grace and cannot be asked for yet."""
    return Notice(Urgency.ESCALATIONS, "Overdue, but not asked for yet", _sentence(sentence))


def put_away(sheet: Sheet, today: date, *, is_reminder: bool = False) -> Notice:
    """Say that a drive may be unplugged and goes back, or ask whether it is back."""
    note = f"{_sentence(sheet.slip.note)}\n\n" if sheet.slip.note else ""
    title = sheet_title(sheet)
    return Notice(
        Urgency.SLIPS,
        f"Reminder: {title}" if is_reminder else title,
        note + _text(sheet_lines(sheet, today)),
        _stages((sheet,)),
    )


def _stages(sheets: Sequence[Sheet]) -> tuple[tuple[SlipNumber, str], ...]:
    return tuple((sheet.slip.number, stage_of(sheet.slip)) for sheet in sheets)


def _text(lines: Iterable[str]) -> str:
    return "\n".join(folded(lines))


def drive_words(card: DriveCard) -> str:
    """Return number and title of a drive."""
    return f'{card.number} "{card.title}"' if card.title else str(card.number)


def _sentence(text: str) -> str:
    return text if text.endswith((".", "?", "!")) else f"{text}."
