"""status, pause, resume, stop: what only a daemon can be asked."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from typing import Annotated

import typer

from refreshd.cli.answer import Answer
from refreshd.cli.choosing import reception_of
from refreshd.cli.signals import StoppedByHandError
from refreshd.cli.words import AsJson, number_of
from refreshd.errors import UsageError
from refreshd.verbs.care import shown

_MOMENT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2})?(?:Z|[+-][0-9]{2}:[0-9]{2})?",
    re.ASCII,
)


def status_verb(
    ctx: typer.Context,
    follow: Annotated[
        bool,
        typer.Option(
            "--follow",
            help="Go on telling what happens, one line each, until Ctrl-C; with --json, one JSON "
            "object a line.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> Answer:
    """Tell what the daemon does now: drives plugged in, passes, slips, pause, alarms."""
    from refreshd.telling.service_as_json import status_object  # noqa: PLC0415 - a daemon is there.
    from refreshd.telling.status import status_lines  # noqa: PLC0415

    if follow:
        return Answer({}, _followed(ctx, as_json=as_json), is_endless=True)
    with reception_of(ctx) as desk:
        found = desk.status()
    return Answer(status_object(found), status_lines(found))


def _followed(ctx: typer.Context, *, as_json: bool) -> Iterator[str]:
    """Yield how things stand, then what happens; each line is told when it comes."""
    from refreshd.telling.service_as_json import heard_object, status_object  # noqa: PLC0415
    from refreshd.telling.status import heard_line, status_lines  # noqa: PLC0415

    with reception_of(ctx) as desk:
        found = desk.status()
        if as_json:
            yield json.dumps(status_object(found))
        else:
            yield from status_lines(found)
        # To be ended by hand is the usual end of this, and no failure.
        with suppress(StoppedByHandError):
            for line in desk.follow():
                told = json.dumps(heard_object(line)) if as_json else heard_line(line)
                if told is not None:
                    yield told


def pause_verb(
    ctx: typer.Context,
    until: Annotated[
        str | None,
        typer.Option(
            "--until",
            metavar="TIME",
            help="End of the pause, such as 2031-03-14T18:00, on this server's clock on the wall. "
            "Left out: until `resume`.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> Answer:
    """Let the daemon run no pass; what is under way finishes its segment and rests."""
    end = None if until is None else moment_of(until)
    with reception_of(ctx) as desk:
        found = desk.pause(end)
    from refreshd.telling.service_as_json import status_object  # noqa: PLC0415 - a daemon is there.
    from refreshd.telling.status import paused_line  # noqa: PLC0415

    return Answer(status_object(found), (paused_line(found),))


def resume_verb(
    ctx: typer.Context,
    as_json: AsJson = False,
) -> Answer:
    """Let the daemon run passes again."""
    with reception_of(ctx) as desk:
        found = desk.resume()
    from refreshd.telling.service_as_json import status_object  # noqa: PLC0415 - a daemon is there.
    from refreshd.telling.status import resumed_line  # noqa: PLC0415

    return Answer(status_object(found), (resumed_line(found),))


def stop_verb(
    ctx: typer.Context,
    number: Annotated[
        str,
        typer.Argument(
            metavar="NUMBER|DEVICE",
            help="Accession number, such as K07, or the device of a disk that is being proved.",
        ),
    ],
    as_json: AsJson = False,
) -> Answer:
    """Let the daemon end a pass or a proving at its next checkpoint. It can go on later."""
    with reception_of(ctx) as desk:
        if number.startswith("/"):
            wanted, found = number, desk.stop_proving(number)
        else:
            wanted, found = number_of(number), desk.stop(number_of(number))
    from refreshd.telling.service_as_json import status_object  # noqa: PLC0415 - a daemon is there.
    from refreshd.telling.status import stopping_line  # noqa: PLC0415

    return Answer(status_object(found), (stopping_line(found, wanted),))


def moment_of(text: str) -> datetime:
    """Return a moment in UTC; one without a zone is on this server's clock on the wall."""
    wrong = (
        f'--until "{shown(text)}" is no moment; write it as 2031-03-14T18:00, if need be with its '
        "zone, as 2031-03-14T18:00+01:00"
    )
    if _MOMENT.fullmatch(text) is None:
        raise UsageError(wrong)
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError) as err:
        raise UsageError(wrong) from err
