"""Into care and out of it: accession, withdrawal, corrections of a card."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from refreshd.adapters.evidence import read_medium
from refreshd.adapters.folder import InventorySummary, Item, MountedFolder, summarise
from refreshd.cards import DriveCard
from refreshd.drive import check_accession
from refreshd.errors import (
    DriveHeldError,
    MistakenDriveError,
    PassStoppedError,
    UnknownDriveError,
    UsageError,
)
from refreshd.events import (
    CardCorrected,
    DriveAccessioned,
    DriveWithdrawn,
    HoldLifted,
    InventoryTaken,
)
from refreshd.passes.bench import PassReport
from refreshd.passes.proving.gate import heed_proof
from refreshd.policy_values import read_drive_number
from refreshd.ports import Attendant
from refreshd.quantities import DriveNumber, MediumKind, Outcome, PassKind
from refreshd.wiring.search import AnyMedium, Desk, let_go
from refreshd.wiring.shelf import Shelf
from refreshd.wiring.staging import ring_path
from refreshd.wiring.station import Station
from refreshd.wiring.visits import PassWish, desk_laid, drive_locked, run_pass
from refreshd.words import medium_words

TEXT_CHARACTERS_MAX = 200


@dataclass(frozen=True, slots=True)
class Accession:
    """A drive as it is handed in."""

    path: str
    number: DriveNumber
    shelfmark: str
    title: str
    medium: MediumKind | None = None  # None: read it from the device
    written_on: date | None = None  # a claim, kept as one
    holding: str | None = None  # None: not said; empty: it has no copies


@dataclass(frozen=True, slots=True)
class TakenIn:
    """A drive taken into care: `report` of a block medium, `inventory` of a mounted folder."""

    card: DriveCard
    is_taken_up_again: bool
    report: PassReport | None = None
    inventory: InventorySummary | None = None


def take_in(station: Station, wanted: Accession) -> TakenIn:
    """
    Take a drive into care, or take up an accession that was interrupted.

    Raises:
        UsageError: A text or date makes no sense.
        MistakenDriveError: The number is taken, or this drive is in care already.
        MediumInUseError: Something else uses it.

    """
    wanted = _checked(wanted, station.clock.now().date())
    with drive_locked(station, wanted.number) as shelf:
        medium_kind = wanted.medium or MediumKind.HARD_DISK
        policy = station.policy_of(medium_kind, wanted.number)
        with desk_laid(station, shelf, policy) as desk:
            medium = desk.open(wanted.path)
            try:
                return _taken_in(desk, wanted, medium)
            finally:
                let_go(desk.lanes, medium)


def _checked(wanted: Accession, today: date) -> Accession:
    if wanted.written_on is not None and wanted.written_on > today:
        raise UsageError(
            f"written on {wanted.written_on}: that is in the future (today is {today}); give the "
            "day on which the drive was last written, or leave it out"
        )
    return replace(
        wanted,
        number=read_number(wanted.number),
        shelfmark=read_text(wanted.shelfmark, "shelfmark"),
        title=read_text(wanted.title, "title"),
        holding=read_holding(wanted.holding),
    )


def read_holding(text: str | None) -> str | None:
    """Return the name of a holding; an empty text, which takes it away, stays one."""
    if text is None:
        return None
    return read_text(text, "holding") if text.strip() else ""


def read_number(text: str) -> DriveNumber:
    """Return an accession number, or raise UsageError saying what is allowed."""
    try:
        return read_drive_number(text)
    except ValueError as err:
        raise UsageError(f'"{shown(text)}" is {err}') from err


def read_text(text: str, what: str) -> str:
    """Return a text for the card, in one Unicode form, or raise UsageError saying what is wrong."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as err:
        raise UsageError(f'{what} "{shown(text)}": not UTF-8; type it again') from err
    kept = unicodedata.normalize("NFC", text).strip()
    if not kept:
        raise UsageError(f"the {what} is empty; say what stands on the case")
    if len(kept) > TEXT_CHARACTERS_MAX:
        raise UsageError(f"the {what} has {len(kept)} characters; at most {TEXT_CHARACTERS_MAX}")
    if any(_moves_cursor(one) for one in kept):
        raise UsageError(f'{what} "{shown(kept)}": holds a control character; leave it out')
    return kept


_JOINERS = {"\u200c", "\u200d"}
"""Zero width non-joiner and joiner: Persian and Indic scripts cannot be written without them."""


def _moves_cursor(one: str) -> bool:
    return unicodedata.category(one) in {"Cc", "Cf", "Zl", "Zp"} and one not in _JOINERS


def shown(text: str) -> str:
    """Spell out what could move a terminal's cursor, and shorten."""
    short = text if len(text) <= TEXT_CHARACTERS_MAX else f"{text[: TEXT_CHARACTERS_MAX - 1]}…"
    return "".join(one if one.isprintable() else f"\\u{ord(one):04x}" for one in short)


def _taken_in(desk: Desk, wanted: Accession, medium: AnyMedium) -> TakenIn:
    evidence = desk.lanes.aside(medium.evidence)()
    cards = _all_cards(desk.shelf, wanted.number)
    try:
        known = check_accession(wanted.number, evidence, cards, desk.sampler(medium))
    except MistakenDriveError as err:
        desk.refuse_identity(medium, err)
        raise
    if known is None:
        kind = wanted.medium or _read_kind(desk.station, medium)
        station, ledger = desk.station, desk.shelf.ledger
        unproved = station.policy_of(kind, wanted.number).unproved
        heed_proof(ledger, wanted.number, evidence, unproved, station.attendant)
        desk.shelf.ledger.record(
            DriveAccessioned(
                drive=wanted.number,
                shelfmark=wanted.shelfmark,
                title=wanted.title,
                medium=kind,
                evidence=evidence,
                chunk_bytes=desk.station.policy_of(kind, wanted.number).chunk_bytes,
                claimed_written_on=wanted.written_on,
                holding=wanted.holding or None,
            )
        )
    else:
        _correct_again(desk.shelf, known, wanted)
    card = desk.shelf.ledger.drive(wanted.number)
    if isinstance(medium, MountedFolder):
        inventory = _take_inventory(desk, card, medium)
        return TakenIn(card, known is not None, inventory=inventory)
    if objection := medium.rewrite_objection():
        desk.station.attendant.said(f"It can be checked, but not refreshed in place: {objection}.")
    report = run_pass(desk, card, medium, PassWish(PassKind.ACCESSION))
    return TakenIn(desk.shelf.ledger.drive(card.number), known is not None, report)


def _all_cards(shelf: Shelf, number: DriveNumber) -> tuple[DriveCard, ...]:
    """Return the drives in care, and the withdrawn one that has the number, if one has."""
    in_care = shelf.ledger.drives()
    try:
        holder = shelf.ledger.drive(number)
    except UnknownDriveError:
        return in_care
    return in_care if holder.withdrawn_on is None else (*in_care, holder)


def _read_kind(station: Station, medium: AnyMedium) -> MediumKind:
    reading = read_medium(medium.place)
    station.attendant.said(f"Medium: {medium_words(reading.kind)} ({reading.reason}).")
    return reading.kind


def _correct_again(shelf: Shelf, card: DriveCard, wanted: Accession) -> None:
    """Write down what was given differently when an interrupted accession is taken up again."""
    changed = CardCorrected(
        drive=card.number,
        shelfmark=wanted.shelfmark if wanted.shelfmark != card.shelfmark else None,
        title=wanted.title if wanted.title != card.title else None,
        medium=wanted.medium if wanted.medium != card.medium else None,
        claimed_written_on=(
            wanted.written_on if wanted.written_on != card.claimed_written_on else None
        ),
        holding=wanted.holding if wanted.holding != (card.holding or "") else None,
    )
    if changed != CardCorrected(drive=card.number):
        shelf.ledger.record(changed)


def _take_inventory(desk: Desk, card: DriveCard, medium: MountedFolder) -> InventorySummary:
    desk.station.attendant.said(
        f"{medium.place} is a mounted folder: its files are listed and digested; chunks are not."
    )
    if not medium.is_mount_point:
        desk.station.attendant.said(
            f"{medium.place} is not where a drive is mounted but a folder further down: only what "
            "lies in it is in care."
        )
    summary = summarise(_until_stopped(medium.inventory(), desk.station.attendant))
    desk.shelf.ledger.record(
        InventoryTaken(
            drive=card.number,
            outcome=Outcome.WARNING if summary.unreadable_items else Outcome.SUCCESS,
            files=summary.files,
            file_bytes=summary.file_bytes,
            other_items=summary.other_items,
            unreadable_items=summary.unreadable_items,
            listing_sha256=summary.listing_sha256,
        )
    )
    return summary


def _until_stopped(items: Iterator[Item], attendant: Attendant) -> Iterator[Item]:
    for item in items:
        if attendant.wants_stop():
            raise PassStoppedError("stopped as asked; the same command makes the inventory anew")
        yield item


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """A drive that is no longer in care, and what remains of it here."""

    card: DriveCard
    open_findings: int
    staged: Path | None  # a ring that may hold the only good copy of some bytes
    unfinished: tuple[PassKind, ...]


def withdraw(station: Station, number: DriveNumber, reason: str = "") -> Withdrawn:
    """Take a drive out of care. It is not touched; its number is never given again."""
    reason = read_text(reason, "reason") if reason else ""
    with drive_locked(station, number) as shelf:
        card = _in_care(shelf, number)
        findings = len(shelf.ledger.findings(number))
        unfinished = tuple(
            kind for kind in PassKind if shelf.ledger.unfinished_pass(number, kind) is not None
        )
        ring = ring_path(station.staging_directory, number)
        shelf.ledger.record(DriveWithdrawn(drive=number, reason=reason))
        card = shelf.ledger.drive(card.number)
        return Withdrawn(card, findings, ring if ring.exists() else None, unfinished)


@dataclass(frozen=True, slots=True)
class Correction:
    """What is to stand on a card; None leaves a field as it is."""

    shelfmark: str | None = None
    title: str | None = None
    medium: MediumKind | None = None
    written_on: date | None = None
    holding: str | None = None  # empty: it has no copies any more

    @property
    def is_none(self) -> bool:
        """Whether nothing is to be corrected."""
        return self == Correction()


def correct(station: Station, number: DriveNumber, wanted: Correction) -> DriveCard:
    """Correct a card, and write down that it was corrected."""
    today = station.clock.now().date()
    if wanted.written_on is not None and wanted.written_on > today:
        raise UsageError(f"written on {wanted.written_on}: that is in the future; today is {today}")
    shelfmark, title = wanted.shelfmark, wanted.title
    event = CardCorrected(
        drive=number,
        shelfmark=None if shelfmark is None else read_text(shelfmark, "shelfmark"),
        title=None if title is None else read_text(title, "title"),
        medium=wanted.medium,
        claimed_written_on=wanted.written_on,
        holding=read_holding(wanted.holding),
    )
    with drive_locked(station, number) as shelf:
        _in_care(shelf, number)
        shelf.ledger.record(event)
        return shelf.ledger.drive(number)


def lift_hold(station: Station, number: DriveNumber, reason: str) -> DriveCard:
    """Lift the hold of a drive, with the reason for which it may be written to again."""
    reason = read_text(reason, "reason")
    with drive_locked(station, number) as shelf:
        if _in_care(shelf, number).hold is None:
            raise UsageError(f"{number} is not on hold; there is nothing to lift")
        shelf.ledger.record(HoldLifted(drive=number, reason=reason))
        return shelf.ledger.drive(number)


def _in_care(shelf: Shelf, number: DriveNumber) -> DriveCard:
    card = shelf.ledger.drive(number)
    if card.withdrawn_on is not None:
        raise DriveHeldError(f"{number} was withdrawn on {card.withdrawn_on}; its card is closed")
    return card
