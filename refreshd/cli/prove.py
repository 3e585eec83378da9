"""prove."""

from __future__ import annotations

from typing import Annotated

import typer

from refreshd.cli.answer import FINDINGS, Answer
from refreshd.cli.attending import watched
from refreshd.cli.choosing import reception_of
from refreshd.cli.words import AsJson
from refreshd.cli.world import asked_of
from refreshd.errors import UsageError
from refreshd.passes.proving.beginning import refuse_contradictions
from refreshd.ports import ProvingWish
from refreshd.quantities import Outcome
from refreshd.verbs.proving import Proved, proving_of


def prove_verb(
    ctx: typer.Context,
    path: Annotated[
        str | None,
        typer.Argument(metavar="PATH", help="A whole disk that is not in care, or an image file."),
    ] = None,
    read_only: Annotated[
        bool,
        typer.Option("--read-only", help="Read all of it and write nothing to it."),
    ] = False,
    erase: Annotated[
        bool,
        typer.Option("--erase", help="What it carries may be lost. Say also which drive that is."),
    ] = False,
    erase_drive: Annotated[
        str,
        typer.Option(
            "--erase-drive",
            metavar="SERIAL",
            help="Serial of the drive that --erase is about, as it is printed; its size in bytes "
            "where it has none.",
        ),
    ] = "",
    without_extended_test: Annotated[
        bool,
        typer.Option("--without-extended-test", help="Leave out the drive's own test of hours."),
    ] = False,
    anew: Annotated[
        bool, typer.Option("--anew", help="Give up the unfinished proving of it, and begin again.")
    ] = False,
    listing: Annotated[
        bool, typer.Option("--list", help="List the drives that were proved.")
    ] = False,
    show: Annotated[
        str | None,
        typer.Option("--show", metavar="PROVING", help="Show a certificate, such as P3."),
    ] = None,
    as_json: AsJson = False,
) -> Answer:
    """Test a new drive before its accession: capacity, all of it written and read, its own tests.

    A drive without content is written over; one with content is only read, unless it is said
    twice that all of it may be lost. A proving that was interrupted is taken up again by the same
    command. 20 TB take three to four days.
    """
    wish = ProvingWish(
        is_erasing=erase,
        is_reading_only=read_only,
        erase_drive=erase_drive,
        leaves_out_extended_test=without_extended_test,
        is_anew=anew,
    )
    _refuse_mixed(path, wish, listing=listing, show=show)
    if listing:
        return _listed(ctx)
    if show is not None:
        wanted = proving_of(show)
        with reception_of(ctx) as desk:
            return _told(desk.proved(wanted))
    return _proved(ctx, path or "", wish, as_json=as_json)


def _refuse_mixed(path: str | None, wish: ProvingWish, *, listing: bool, show: str | None) -> None:
    """Refuse words that cannot all be meant."""
    looking = int(listing) + int(show is not None)
    if path is None and not looking:
        raise UsageError("name the disk to prove: refreshd prove PATH; or --list, or --show P3")
    if looking > 1 or (looking and (path is not None or wish != ProvingWish())):
        raise UsageError("--list and --show only look: give one of them alone")
    refuse_contradictions(wish)


def _listed(ctx: typer.Context) -> Answer:
    from refreshd.telling.certificate import (  # noqa: PLC0415 - needed here alone.
        proving_list_lines,
        proving_list_object,
    )

    with reception_of(ctx) as desk:
        known = desk.provings()
    lines = proving_list_lines(known, asked_of(ctx).world.columns)
    return Answer(proving_list_object(known), lines)


def _proved(ctx: typer.Context, path: str, wish: ProvingWish, *, as_json: bool) -> Answer:
    with watched(asked_of(ctx), as_json=as_json) as watch:
        reception, place = watch.for_place(path)
        certificate = reception.prove(place or path, wish, watch.attendant)
        return _told(reception.proved(certificate.id), watch.afterwards)


def _told(proved: Proved, afterwards: tuple[str, ...] = ()) -> Answer:
    from refreshd.telling.certificate import (  # noqa: PLC0415 - needed here alone.
        certificate_lines,
        certificate_object,
    )

    is_failed = proved.certificate.outcome is Outcome.FAIL
    lines = (*certificate_lines(proved), *afterwards)
    return Answer(certificate_object(proved), lines, FINDINGS if is_failed else 0)
