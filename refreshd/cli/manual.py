"""The manual pages, made from what the help says: ``python -m refreshd.cli.manual DIR``."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Protocol, cast

import typer

from refreshd import __version__
from refreshd.cli.main import app
from refreshd.telling.policy_page import policy_page
from refreshd.telling.roff import ManualPage
from refreshd.wiring.station import real_clock

USAGE = 2

_ABOUT = """
refreshd keeps the record of a shelf of disconnected drives, and does the work that keeps them
readable: it says which drive is due, and when that drive is plugged in, reads all of it, compares
every piece with what was recorded, writes it again in the same place from a verified copy, and
reads it back. What it cannot read, or what differs, it leaves alone, and asks.
"""

_SERVICE = """
As a service (`systemctl status refreshd`) it plans, asks for drives, sees them arrive and does the
work by itself. Every verb speaks with the service where it runs, and works alone where it does
not; both never work on one drive. Members of the group `refreshd` may speak with it.
"""

_SIGNALS = {
    "SIGHUP": "The service reads its policy anew. One that cannot be used is refused, and the old "
    "one stays in force.",
    "SIGTERM, SIGINT": "Passes stop at their next checkpoint; the same command, or the next start "
    "of the service, goes on there.",
}

_FILES = {
    "/etc/refreshd/policy.toml": "The policy, see refreshd-policy(5).",
    "/var/lib/refreshd": "Journal, catalogue and staged copies. Readable by the service alone; "
    "`refreshd export` makes a copy to be kept elsewhere.",
    "/var/lib/refreshd/in-care": "Marks by which udev knows the drives in care, so that no "
    "desktop mounts them.",
    "/run/refreshd/socket": "Where the service listens.",
    "/run/refreshd-helper/socket": "Where the service asks for what needs root: who writes to a "
    "disk, and that one be powered off.",
}

_ENVIRONMENT = {
    "REFRESHD_STATE": "The state directory, where no other is named with `--state`.",
    "REFRESHD_SOCKET": "The socket of the service, where no other is named with `--socket`.",
}


class _Parameter(Protocol):
    """What is asked of a parameter of Click, or of what Typer has in its place."""

    param_type_name: str
    name: str | None
    metavar: str | None

    def get_help_record(self, ctx: typer.Context) -> tuple[str, str] | None:
        """Return how the help names it and what it says; None: not at all."""


class _Command(Protocol):
    """What is asked of a command of Click, likewise."""

    help: str | None
    epilog: str | None
    hidden: bool
    params: Sequence[_Parameter]


def main(words: Sequence[str]) -> int:
    """Write both pages below a directory, as man(1) looks for them."""
    if len(words) != 1 or words[0].startswith("-"):
        sys.stderr.write("Say where: python -m refreshd.cli.manual /usr/local/share/man\n")
        return USAGE
    root, today = Path(words[0]), real_clock().now().date()
    for name, text in manual_pages(today).items():
        place = root / f"man{name[-1]}" / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text, encoding="ascii")
        sys.stdout.write(f"{place}\n")
    return 0


def manual_pages(made_on: date) -> Mapping[str, str]:
    """Return the pages by the names of their files."""
    return {"refreshd.8": verbs_page(made_on), "refreshd-policy.5": policy_page(made_on)}


def verbs_page(made_on: date) -> str:
    """Return refreshd(8): every verb with its words, as `--help` has them."""
    command = cast("_Command", typer.main.get_command(app))
    page = ManualPage("refreshd", 8, f"refreshd {__version__}", "Care of shelved drives", made_on)
    page.heading("Name")
    page.text("refreshd - keep shelved drives readable")
    page.heading("Synopsis")
    page.text("`refreshd` [`OPTIONS`] `VERB` [`...`]")
    page.heading("Description")
    for text in (_ABOUT, _SERVICE):
        page.text(text)
    page.heading("Options before the verb")
    _parameters(page, command)
    page.item("--help", "Say what is allowed; after a verb, for that verb.")
    page.heading("Verbs")
    for path, verb in verbs_of(command):
        page.subheading(" ".join((*path, _synopsis(verb))).strip())
        for paragraph in (verb.help or "").split("\n\n"):
            page.text(paragraph.replace("\b", ""))
        _parameters(page, verb)
    for heading, items in (
        ("Signals", _SIGNALS), ("Files", _FILES), ("Environment", _ENVIRONMENT)
    ):  # fmt: skip
        page.heading(heading)
        for tag, text in items.items():
            page.item(tag, text)
    page.heading("Exit status")
    page.text(command.epilog or "")
    page.heading("See also")
    page.text("refreshd-policy(5), systemctl(1), journalctl(1)")
    return page.render()


def verbs_of(
    command: _Command, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], _Command]]:
    """Yield every verb with its path, in the order of the help; groups are walked through."""
    verbs = cast("Mapping[str, _Command]", getattr(command, "commands", {}))
    if not verbs:
        yield path, command
    for name, verb in verbs.items():
        if not verb.hidden:
            yield from verbs_of(verb, (*path, name))


def _stands_for(argument: _Parameter) -> str:
    """Return what stands for an argument."""
    return argument.metavar or (argument.name or "").upper()


def _synopsis(verb: _Command) -> str:
    """Return what a verb is called with."""
    arguments = [_stands_for(one) for one in verb.params if one.param_type_name == "argument"]
    has_options = any(one.param_type_name == "option" for one in verb.params)
    return " ".join([*arguments, *(["[OPTIONS]"] if has_options else [])])


def _parameters(page: ManualPage, command: _Command) -> None:
    """Write what each word of a command means, as its help has it."""
    context = typer.Context(cast("typer.core.TyperCommand", command))
    for one in command.params:
        record = one.get_help_record(context)
        if record is not None:
            tag, says = record
            page.item(_stands_for(one) if one.param_type_name == "argument" else tag, says)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
