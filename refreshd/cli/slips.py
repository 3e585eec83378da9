"""pull-list, return."""

from __future__ import annotations

from typing import Annotated

import typer

from refreshd.cli.answer import Answer
from refreshd.cli.choosing import reception_of
from refreshd.cli.words import AsJson, Number, number_of


def pull_list_verb(
    ctx: typer.Context,
    printed: Annotated[
        bool, typer.Option("--print", help="Each slip in full, as plain text for paper.")
    ] = False,
    as_json: AsJson = False,
) -> Answer:
    """Tell which drives to bring out, which to put away, and which come next."""
    with reception_of(ctx) as desk:
        found = desk.pull_list()
    from refreshd.telling.pulling import printed_lines, pull_lines  # noqa: PLC0415 - needed here.
    from refreshd.telling.service_as_json import pull_list_object  # noqa: PLC0415

    return Answer(pull_list_object(found), printed_lines(found) if printed else pull_lines(found))


def return_verb(
    ctx: typer.Context,
    number: Number,
    as_json: AsJson = False,
) -> Answer:
    """Say that a drive lies in its place again."""
    wanted = number_of(number)
    with reception_of(ctx) as desk:
        slip = desk.returned(wanted)
    from refreshd.telling.pulling import returned_line  # noqa: PLC0415 - needed here alone.
    from refreshd.telling.service_as_json import slip_object  # noqa: PLC0415

    return Answer(slip_object(slip), (returned_line(slip),))
