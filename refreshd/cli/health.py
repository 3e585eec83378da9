"""health."""

from __future__ import annotations

from typing import Annotated

import typer

from refreshd.cli.answer import Answer
from refreshd.cli.attending import watched
from refreshd.cli.choosing import reception_of
from refreshd.cli.words import AsJson, On, SomeNumber, number_of
from refreshd.cli.world import asked_of
from refreshd.errors import UsageError
from refreshd.quantities import DriveNumber
from refreshd.telling.as_json import JsonObject
from refreshd.verbs.health import HealthView
from refreshd.verbs.records import JournalWish


def health_verb(
    ctx: typer.Context,
    number: SomeNumber = None,
    now: Annotated[
        bool, typer.Option("--now", help="Ask the drive now; it must be plugged in.")
    ] = False,
    on: On = None,
    raw: Annotated[
        bool,
        typer.Option(
            "--raw",
            help="With --json: each reading also as the drive gave it, page by page in base64.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> Answer:
    """Tell how the drives are: the whole shelf, the worst first, or one drive in a letter.

    What counts is what changed from one reading to the next. A drive that does not answer is
    said to be silent, not healthy.
    """
    _refuse_mistaken(number, now=now, on=on, raw=raw, as_json=as_json)
    if number is None:
        return _shelf(ctx)
    drive = number_of(number)
    if now:
        return _letter(ctx, _asked_now(ctx, drive, on, as_json=as_json), raw=raw)
    with reception_of(ctx) as desk:
        view = desk.health_of(drive)
    return _letter(ctx, view, raw=raw)


def _refuse_mistaken(
    number: str | None, *, now: bool, on: str | None, raw: bool, as_json: bool
) -> None:
    if number is None and (now or raw):
        option = "--now" if now else "--json --raw"
        raise UsageError(f"name the drive: refreshd health NUMBER {option}")
    if on is not None and not now:
        raise UsageError("--on says where a drive is that is asked now: add --now")
    if raw and not as_json:
        raise UsageError("--raw gives pages of bytes for programs: add --json")


def _shelf(ctx: typer.Context) -> Answer:
    from refreshd.telling.health import health_list_lines  # noqa: PLC0415 - needed here alone.
    from refreshd.telling.health_as_json import health_list_object  # noqa: PLC0415

    with reception_of(ctx) as desk:
        shelf = desk.health_list()
    columns = asked_of(ctx).world.columns
    return Answer(health_list_object(shelf), health_list_lines(shelf, columns))


def _asked_now(
    ctx: typer.Context, drive: DriveNumber, on: str | None, *, as_json: bool
) -> HealthView:
    with watched(asked_of(ctx), as_json=as_json) as watch:
        reception, place = watch.for_place(on)
        return reception.read_health(drive, place, watch.attendant)


def _letter(ctx: typer.Context, view: HealthView, *, raw: bool) -> Answer:
    from refreshd.telling.health import health_lines  # noqa: PLC0415 - needed here alone.
    from refreshd.telling.health_as_json import health_object  # noqa: PLC0415

    told = health_object(view)
    if raw:
        told |= _raw_pages(ctx, view.card.number)
    return Answer(told, health_lines(view, asked_of(ctx).world.columns))


def _raw_pages(ctx: typer.Context, drive: DriveNumber) -> JsonObject:
    """Return the pages from the journal: the catalogue keeps only what was made of them."""
    from refreshd.telling.health_as_json import raw_pages_object  # noqa: PLC0415 - here alone.

    with reception_of(ctx) as desk:
        return raw_pages_object(desk.show_journal(JournalWish(drive)))
