"""accession, withdraw, drive."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from refreshd.cli.answer import Answer
from refreshd.cli.attending import watched
from refreshd.cli.choosing import reception_of
from refreshd.cli.passes import report_answer
from refreshd.cli.words import (
    AsJson,
    Holding,
    Medium,
    NewHolding,
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
from refreshd.verbs.care import Accession, Correction


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
    holding: Holding = None,
    as_json: AsJson = False,
) -> Answer:
    """Take a drive into care: read all of it once and record a digest of every chunk.

    An accession that was interrupted is taken up again by the same command.
    """
    claimed = day_of(written_on, "--written-on")
    wanted = Accession(path, number_of(number), shelfmark, title, medium, claimed, holding)
    with watched(asked_of(ctx), as_json=as_json) as watch:
        reception, place = watch.for_place(path)
        wanted = replace(wanted, path=place or path)
        taken = reception.take_in(wanted, watch.attendant)
    told, lines = taken_in_object(taken), (*taken_in_lines(taken), *watch.afterwards)
    if taken.report is None:
        return Answer(told, lines)
    return report_answer(taken.report, told, lines)


def withdraw_verb(
    ctx: typer.Context,
    number: Number,
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Why, for the journal.")
    ] = "",
    as_json: AsJson = False,
) -> Answer:
    """Take a drive out of care. The drive is not touched, and its record stays."""
    wanted = number_of(number)
    with reception_of(ctx) as desk:
        withdrawn = desk.withdraw(wanted, reason)
    return Answer(withdrawn_object(withdrawn), withdrawn_lines(withdrawn))


def drive_verb(
    ctx: typer.Context,
    number: Number,
    shelfmark: NewShelfmark = None,
    title: NewTitle = None,
    medium: NewMedium = None,
    written_on: WrittenOn = None,
    holding: NewHolding = None,
    lift_hold_because: Annotated[
        str | None,
        typer.Option(
            "--lift-hold", metavar="REASON", help="Lift a hold, and why it may be written to again."
        ),
    ] = None,
    plot: Annotated[
        bool,
        typer.Option(
            "--plot",
            help="Draw the last pass (temperature, rate), the years and the rate along the drive.",
        ),
    ] = False,
    svg: Annotated[
        Path | None,
        typer.Option(
            "--svg",
            metavar="DIR",
            readable=False,
            help="Write every picture of it into this directory, as SVG.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> Answer:
    """Show a drive's card, or correct it."""
    wanted = number_of(number)
    claimed = day_of(written_on, "--written-on")
    correction = Correction(shelfmark, title, medium, claimed, holding)
    if not correction.is_none and lift_hold_because is not None:
        raise UsageError("correct the card and lift the hold one after the other")
    with reception_of(ctx) as desk:
        if not correction.is_none:
            desk.correct(wanted, correction)
        if lift_hold_because is not None:
            desk.lift_hold(wanted, lift_hold_because)
        view = desk.look_at(wanted)
        health = desk.health_of(wanted) if plot or svg else None
    told, lines = drive_object(view), drive_lines(view)
    if health is None:
        return Answer(told, lines)
    from refreshd.cli.pictures import Wanted, with_pictures  # noqa: PLC0415 - few cards need it.

    drawing = Wanted(is_plotted=plot, columns=asked_of(ctx).world.columns, directory=svg)
    return with_pictures(Answer(told, lines), health, drawing)
