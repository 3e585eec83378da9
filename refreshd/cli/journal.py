"""journal show, journal verify, journal attest-clock; export."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from refreshd.cli.answer import FINDINGS, Answer
from refreshd.cli.choosing import chosen, reception_of
from refreshd.cli.words import AsJson, number_or_all
from refreshd.cli.world import asked_of
from refreshd.events import Entry
from refreshd.telling.as_json import entry_object, exported_object, verified_object
from refreshd.telling.journal import entry_line, exported_lines, verified_lines
from refreshd.verbs.records import JournalWish, export_copy

app = typer.Typer(
    help="The record of everything that happened.", no_args_is_help=True, rich_markup_mode=None
)


@app.command("show")
def show_verb(
    ctx: typer.Context,
    number: Annotated[
        str | None, typer.Option("--drive", metavar="NUMBER", help="Only what is about one drive.")
    ] = None,
    last: Annotated[
        int | None, typer.Option("--last", metavar="N", help="Only the last so many records.")
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Checkpoints and recorded digests as well.")
    ] = False,
    as_json: AsJson = False,
) -> Answer:
    """Show the journal, one line a record, oldest first; times are in UTC."""
    wish = JournalWish(number_or_all(number), last, everything)
    entries = _shown(ctx, wish)
    if as_json:
        return Answer({"entries": [entry_object(entry) for entry in entries]})
    return Answer({}, (entry_line(entry) for entry in entries))


def _shown(ctx: typer.Context, wish: JournalWish) -> Iterator[Entry]:
    """Yield the records while they are told: a journal may be larger than the memory."""
    with reception_of(ctx) as desk:
        yield from desk.show_journal(wish)


@app.command("verify", short_help="Find records that were changed. Writes nothing.")
def verify_verb(
    ctx: typer.Context,
    as_json: AsJson = False,
) -> Answer:
    """Find records that were edited, removed, inserted, moved or cut off. Writes nothing.

    Exit code 1 when something of that sort was found.
    """
    with reception_of(ctx) as desk:
        checked = desk.check_journal()
    code = 0 if checked.verification.is_untouched else FINDINGS
    return Answer(verified_object(checked), verified_lines(checked), code)


@app.command("attest-clock")
def attest_verb(
    ctx: typer.Context,
    as_json: AsJson = False,
) -> Answer:
    """Say, after looking, that this server's clock is right.

    A clock that is behind the last record, or far ahead of it, stops all dating until then.
    """
    with reception_of(ctx) as desk:
        entry = desk.attest_clock()
    return Answer({"entry": entry_object(entry)}, (entry_line(entry),))


def export_verb(
    ctx: typer.Context,
    directory: Annotated[
        str, typer.Argument(metavar="DIR", help="A new or empty directory, on another disk.")
    ],
    as_json: AsJson = False,
) -> Answer:
    """Copy catalogue and journal to a directory, also while a pass runs.

    Keep a copy away from this server.
    """
    asked = asked_of(ctx)
    with chosen(asked, asked.teller()) as found:  # The copy is written with the caller's rights.
        exported = export_copy(found.here.bare, Path(directory))
    code = 0 if exported.verification.is_untouched else FINDINGS
    return Answer(exported_object(exported), exported_lines(exported), code)
