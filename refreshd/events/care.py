"""Events about the journal itself, and about drives as things in care."""

from __future__ import annotations

from datetime import date
from typing import Literal

from refreshd.cards import Evidence
from refreshd.events.record import Record
from refreshd.quantities import DriveNumber, MediumKind, Outcome


class JournalOpened(Record):
    """The first record of every journal."""

    label = "local:journal opened"
    kind: Literal["journal-opened"] = "journal-opened"
    program: str  # name and version


class TornLineKept(Record):
    """A power cut tore the last line; its bytes were set aside, nothing had relied on them."""

    label = "local:torn line kept aside"
    kind: Literal["torn-line-kept"] = "torn-line-kept"
    file: str
    length_bytes: int
    sha256: str


class CatalogueBroughtUp(Record):
    """The catalogue was an old copy and was brought up from the journal."""

    label = "local:catalogue brought up"
    kind: Literal["catalogue-brought-up"] = "catalogue-brought-up"
    from_sequence: int
    to_sequence: int


class ClockAttested(Record):
    """A person looked at the clock and says that it is right (I4)."""

    label = "local:clock attested"
    kind: Literal["clock-attested"] = "clock-attested"
    said_by: str


class DriveAccessioned(Record):
    """A drive was taken into care; its chunks are still to be recorded."""

    label = "accession"
    kind: Literal["drive-accessioned"] = "drive-accessioned"
    drive: DriveNumber
    shelfmark: str
    title: str
    medium: MediumKind
    evidence: Evidence
    chunk_bytes: int
    claimed_written_on: date | None
    holding: str | None = None


class CardCorrected(Record):
    """Somebody corrected a card. ``None`` leaves a field as it was."""

    label = "metadata modification"
    kind: Literal["card-corrected"] = "card-corrected"
    drive: DriveNumber
    shelfmark: str | None = None
    title: str | None = None
    medium: MediumKind | None = None
    claimed_written_on: date | None = None
    holding: str | None = None  # an empty text: it has no copies any more


class DriveWithdrawn(Record):
    """A drive was taken out of care."""

    label = "deaccession"
    kind: Literal["drive-withdrawn"] = "drive-withdrawn"
    drive: DriveNumber
    reason: str = ""


class DriveHeld(Record):
    """Nothing may be written to the drive until somebody lifts the hold."""

    label = "quarantine"
    kind: Literal["drive-held"] = "drive-held"
    drive: DriveNumber
    outcome: Outcome = Outcome.FAIL
    reason: str


class HoldLifted(Record):
    """Somebody looked and lifted the hold."""

    label = "unquarantine"
    kind: Literal["hold-lifted"] = "hold-lifted"
    drive: DriveNumber
    reason: str


class IdentityRefused(Record):
    """The evidence fits no drive, two drives, or contradicts a card. Nothing was touched."""

    label = "local:identity refused"
    kind: Literal["identity-refused"] = "identity-refused"
    outcome: Outcome = Outcome.FAIL
    evidence: Evidence
    reason: str


class InventoryTaken(Record):
    """The files of a mounted drive were listed, each regular file with its XXH3-128 digest.

    `listing_sha256` is SHA-256, in lower-case hex, over the listing, one line an item in the
    order of the walk; the same tree gives the same value.
    """

    label = "message digest calculation"
    kind: Literal["inventory-taken"] = "inventory-taken"
    drive: DriveNumber
    files: int
    file_bytes: int
    other_items: int  # folders, links, devices, sockets: recorded, never followed
    unreadable_items: int
    listing_sha256: str
