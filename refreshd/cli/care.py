"""accession, withdraw, drive."""

from __future__ import annotations

from typing import Annotated

import typer

from refreshd.cli.answer import Answer
from refreshd.cli.passes import report_answer
from refreshd.cli.words import (
    AsJson,
    Medium,
    NewMedium,
    NewShelfmark,
    NewTitle,
    Number,
    Shelfmark,
    Title,
    WrittenOn,
    day_of,
    number_of,
)
from refreshd.cli.world import asked_of
from refreshd.errors import UsageError
from refreshd.telling.as_json import drive_object, taken_in_object, withdrawn_object
from refreshd.telling.passes import taken_in_lines, withdrawn_lines
from refreshd.telling.shelf import drive_lines
from refreshd.verbs.care import Accession, Correction, correct, lift_hold, take_in, withdraw
from refreshd.verbs.looking import look_at


def accession_verb(
    ctx: typer.Context,
    path: Annotated[
        str, typer.Argument(metavar="PATH", help="A whole disk, an image file, a mounted folder.")
    ],
    number: Annotated[
        str, typer.Option("--number", metavar="NUMBER", help="Accession number, such as K07.")
    ],
    shelfmark: Shelfmark,
    title: Title,
    medium: Medium = None,
    written_on: WrittenOn = None,
    as_json: AsJson = False,
) -> Answer:
    """Take a drive into care: read all of it once and record a digest of every chunk.

    An accession that was interrupted is taken up again by the same command.
    """
    claimed = day_of(written_on, "--written-on")
    wanted = Accession(path, number_of(number), shelfmark, title, medium, claimed)
    with asked_of(ctx).watched(as_json=as_json) as station:
        taken = take_in(station, wanted)
    told = taken_in_object(taken)
    if taken.report is None:
        return Answer(told, taken_in_lines(taken))
    return report_answer(taken.report, told, taken_in_lines(taken))


def withdraw_verb(
    ctx: typer.Context,
    number: Number,
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Why, for the journal.")
    ] = "",
    as_json: AsJson = False,
) -> Answer:
    """Take a drive out of care. The drive is not touched, and its record stays."""
    withdrawn = withdraw(asked_of(ctx).station(), number_of(number), reason)
    return Answer(withdrawn_object(withdrawn), withdrawn_lines(withdrawn))


def drive_verb(
    ctx: typer.Context,
    number: Number,
    shelfmark: NewShelfmark = None,
    title: NewTitle = None,
    medium: NewMedium = None,
    written_on: WrittenOn = None,
    lift_hold_because: Annotated[
        str | None,
        typer.Option(
            "--lift-hold", metavar="REASON", help="Lift a hold, and why it may be written to again."
        ),
    ] = None,
    as_json: AsJson = False,
) -> Answer:
    """Show a drive's card, or correct it."""
    wanted = number_of(number)
    station = asked_of(ctx).station()
    correction = Correction(shelfmark, title, medium, day_of(written_on, "--written-on"))
    if not correction.is_none and lift_hold_because is not None:
        raise UsageError("correct the card and lift the hold one after the other")
    if not correction.is_none:
        correct(station, wanted, correction)
    if lift_hold_because is not None:
        lift_hold(station, wanted, lift_hold_because)
    view = look_at(station, wanted)
    return Answer(drive_object(view), drive_lines(view))
