"""shelf, findings, accept."""

from __future__ import annotations

from typing import Annotated

import typer

from refreshd.cli.answer import FINDINGS, Answer
from refreshd.cli.choosing import reception_of
from refreshd.cli.words import (
    AsJson,
    Number,
    SomeNumber,
    day_of,
    finding_of,
    number_of,
    number_or_all,
)
from refreshd.cli.world import asked_of
from refreshd.telling.as_json import accepted_object, findings_object, shelf_object
from refreshd.telling.findings import accepted_lines, findings_lines
from refreshd.telling.shelf import shelf_lines


def shelf_verb(
    ctx: typer.Context,
    as_of: Annotated[
        str | None,
        typer.Option(
            "--as-of", metavar="DATE", help="See it as on this day, YYYY-MM-DD. Left out: today."
        ),
    ] = None,
    as_json: AsJson = False,
) -> Answer:
    """List all drives in care, those due first on top."""
    day = day_of(as_of, "--as-of")
    with reception_of(ctx) as desk:
        listed = desk.shelf_list(day)
    return Answer(shelf_object(listed), shelf_lines(listed, asked_of(ctx).world.columns))


def findings_verb(
    ctx: typer.Context,
    number: SomeNumber = None,
    as_json: AsJson = False,
) -> Answer:
    """Tell what is wrong and waits for a decision. Exit code 1 when there is something."""
    wanted = number_or_all(number)
    with reception_of(ctx) as desk:
        views = desk.open_findings(wanted)
    return Answer(findings_object(views), findings_lines(views), FINDINGS if views else 0)


def accept_verb(
    ctx: typer.Context,
    number: Number,
    finding: Annotated[
        list[str],
        typer.Option("--finding", metavar="ID", help="Which finding; may be given several times."),
    ],
    as_json: AsJson = False,
) -> Answer:
    """Say that the new bytes of a finding are the right ones."""
    drive, wanted = number_of(number), [finding_of(one) for one in finding]
    with reception_of(ctx) as desk:
        accepted = desk.accept(drive, wanted)
    return Answer(accepted_object(accepted), accepted_lines(accepted))
