"""fixity, refresh."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Annotated

import typer

from refreshd.cli.answer import FINDINGS, Answer
from refreshd.cli.attending import watched
from refreshd.cli.words import AsJson, Number, On, number_of
from refreshd.cli.world import asked_of
from refreshd.passes.bench import PassReport
from refreshd.quantities import PassKind
from refreshd.reception.protocol import PassAsked
from refreshd.telling.as_json import JsonObject, pass_object
from refreshd.telling.passes import pass_lines


def fixity_verb(
    ctx: typer.Context,
    number: Number,
    on: On = None,
    as_json: AsJson = False,
) -> Answer:
    """Read a whole drive and compare it with its digests. Nothing is written to it."""
    return _run(ctx, PassAsked(number_of(number), PassKind.FIXITY, on), as_json=as_json)


def refresh_verb(
    ctx: typer.Context,
    number: Number,
    on: On = None,
    closing: Annotated[
        bool,
        typer.Option("--closing", help="Read the whole drive once more at the end."),
    ] = False,
    as_json: AsJson = False,
) -> Answer:
    """Read a drive, verify it, write it again in place, and read it back.

    Every chunk is staged on this server before it is written. A pass that was interrupted is
    taken up again by the same command.
    """
    wanted = PassAsked(number_of(number), PassKind.REFRESH, on, closing)
    return _run(ctx, wanted, as_json=as_json)


def _run(ctx: typer.Context, wanted: PassAsked, *, as_json: bool) -> Answer:
    with watched(asked_of(ctx), as_json=as_json) as watch:
        reception, place = watch.for_place(wanted.on)
        report = reception.run_pass(replace(wanted, on=place), watch.attendant)
    return report_answer(report, pass_object(report), (*pass_lines(report), *watch.afterwards))


def report_answer(report: PassReport, told: JsonObject, lines: Iterable[str]) -> Answer:
    """Return the answer that a report is: what stopped the pass counts before its findings."""
    code = FINDINGS if report.findings else 0
    if report.stopped_by is not None:
        code = report.stopped_by.exit_code
    return Answer(told, lines, code, report.stopped_by)
