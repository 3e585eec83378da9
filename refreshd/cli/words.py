"""How the words of a command are read: numbers, dates, and options that many verbs share."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated

import typer

from refreshd.errors import UsageError
from refreshd.quantities import DriveNumber, FindingId, MediumKind
from refreshd.verbs.care import read_number, shown

AsJson = Annotated[
    bool, typer.Option("--json", help="One JSON object on stdout, whatever the exit code is.")
]
Number = Annotated[str, typer.Argument(metavar="NUMBER", help="Accession number, such as K07.")]
SomeNumber = Annotated[
    str | None,
    typer.Argument(metavar="[NUMBER]", help="Accession number; left out: all drives in care."),
]
On = Annotated[
    str | None,
    typer.Option(
        "--on",
        metavar="PATH",
        help="Where the drive is: a device or an image file. Left out: look through the disks "
        "that are plugged in.",
    ),
]
Shelfmark = Annotated[
    str, typer.Option("--shelfmark", metavar="SHELFMARK", help="Where it lies: room, box, slot.")
]
Title = Annotated[str, typer.Option("--title", metavar="TEXT", help="What is on it.")]
NewShelfmark = Annotated[
    str | None, typer.Option("--shelfmark", metavar="SHELFMARK", help="Correct where it lies.")
]
NewTitle = Annotated[
    str | None, typer.Option("--title", metavar="TEXT", help="Correct what is on it.")
]
Medium = Annotated[
    MediumKind | None,
    typer.Option("--medium", help="What holds the bits. Left out: read from the device."),
]
NewMedium = Annotated[
    MediumKind | None, typer.Option("--medium", help="Correct what holds the bits.")
]
WrittenOn = Annotated[
    str | None,
    typer.Option(
        "--written-on",
        metavar="DATE",
        help="When it was last written, as YYYY-MM-DD; kept as a claim.",
    ),
]
Holding = Annotated[
    str | None,
    typer.Option(
        "--holding",
        metavar="TEXT",
        help="What content it carries a copy of; drives with the same holding are copies of each "
        "other, and are kept apart.",
    ),
]
NewHolding = Annotated[
    str | None,
    typer.Option(
        "--holding",
        metavar="TEXT",
        help="Correct what content it carries a copy of; an empty text: it is no copy.",
    ),
]


def number_of(text: str) -> DriveNumber:
    """Return an accession number, or raise UsageError."""
    return read_number(text)


def number_or_all(text: str | None) -> DriveNumber | None:
    """Return an accession number, or None for all drives."""
    return None if text is None else read_number(text)


def day_of(text: str | None, option: str) -> date | None:
    """Return a calendar day, or raise UsageError."""
    if text is None:
        return None
    wanted = f'{option} "{shown(text)}" is no date; write it as YYYY-MM-DD, such as 2026-01-31'
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text, re.ASCII) is None:
        raise UsageError(wanted)
    try:
        return date.fromisoformat(text)
    except ValueError as err:
        raise UsageError(wanted) from err


def finding_of(text: str) -> FindingId:
    """Return the id of a finding, or raise UsageError."""
    if re.fullmatch(r"F[1-9][0-9]{0,17}", text, re.ASCII) is None:
        raise UsageError(
            f'"{shown(text)}" is no finding; `refreshd findings` lists the open ones, such as F12'
        )
    return FindingId(text)
