"""refreshd-policy(5), made from the models of the policy: no value can be left unexplained."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from refreshd import __version__
from refreshd.policy import BUILT_IN_BY_MEDIUM, DrivePolicy, Policy, toml_text
from refreshd.policy_drive import FIELDS, Values
from refreshd.policy_tables import SHELF_TABLES, Channel, NoticeRules, Section, keys_of
from refreshd.quantities import MediumKind
from refreshd.telling.roff import ManualPage

_HEAD = """
The policy says how often and how gently drives are read and rewritten, when the service works,
and who hears of it. It is a TOML file; without one, what is built in holds. A key that is
misspelt, or a value out of its bounds, is refused with its line.
"""

_ORDER = """
The values for a drive are looked for in `[drive.NUMBER]`, then in `[medium.KIND]`, then in
`[defaults]`; the first one found holds. `refreshd policy explain NUMBER` says for each value which
line decided it.
"""

_VALUES = """
Durations: "3 years", "18 months", "1 year 6 months", "2 weeks", "30 days"; years and months are
those of the calendar. Sizes: "64 MiB" (1024 x 1024 bytes) or "64 MB" (a million bytes). Rates:
"150 MB/s". Temperatures: "50 °C" or "50 C".
"""

_RELOAD = """
`refreshd policy check` lists every mistake. The service reads the file when it starts and when it
is asked to (`systemctl reload refreshd`); a file that cannot be used is refused then, loudly, and
what was in force stays so.
"""


@dataclass(frozen=True, slots=True)
class _Key:
    """One key of a table: what is built in, and what it means."""

    name: str
    built_in: str | None
    says: str

    @property
    def text(self) -> str:
        """The explanation, with what is built in."""
        return self.says if self.built_in is None else f"{self.says} Built in: `{self.built_in}`."


def policy_page(made_on: date) -> str:
    """Return the manual page of the policy file."""
    page = ManualPage(
        "refreshd-policy", 5, f"refreshd {__version__}", "Care of shelved drives", made_on
    )
    page.heading("Name")
    page.text("refreshd-policy - what the owner of a shelf asks of refreshd")
    page.heading("Synopsis")
    page.text("`/etc/refreshd/policy.toml`")
    page.heading("Description")
    for text in (_HEAD, _VALUES, _RELOAD):
        page.text(text)
    page.heading("Values for a drive")
    page.text(_ORDER)
    for key in _drive_keys():
        page.item(key.name, key.text)
    page.heading("What is built in for a medium")
    for medium in MediumKind:
        page.item(f"[medium.{medium}]", _built_in(medium))
    page.heading("Values for the whole shelf")
    for name, section in SHELF_TABLES.items():
        page.subheading(f"[{name}]")
        page.text(str(Policy.model_fields[name].description))
        for key in _keys_of(section):
            page.item(key.name, key.text)
    page.subheading("[notices.channel.NAME]")
    page.text(str(NoticeRules.model_fields["channel"].description))
    for key in _keys_of(Channel):
        page.item(key.name, key.text)
    page.heading("See also")
    page.text("refreshd(8), `refreshd policy template`, `refreshd policy schema`")
    return page.render()


def _drive_keys() -> Iterator[_Key]:
    """Yield what a table for drives may hold."""
    texts = DrivePolicy().as_text()
    for key, name in FIELDS.items():
        yield _Key(key, texts[key], str(Values.model_fields[name].description))


def _keys_of(section: type[Section]) -> Iterator[_Key]:
    """Yield what another table may hold, tables within it left out."""
    texts = section().model_dump(mode="json", by_alias=True, exclude={"channel"})
    names = keys_of(section)
    for key, value in texts.items():
        says = str(section.model_fields[names[key]].description)
        yield _Key(key, None if value is None else toml_text(value), says)


def _built_in(medium: MediumKind) -> str:
    """Return what differs for a medium without a policy file."""
    rules = BUILT_IN_BY_MEDIUM.get(medium)
    if rules is None:
        return "As for every drive."
    texts = rules.model_dump(mode="json", by_alias=True, exclude_unset=True)
    return ", ".join(f"`{key} = {toml_text(value)}`" for key, value in texts.items()) + "."
