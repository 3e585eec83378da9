"""The policy: how often and how gently the drives in care are read and rewritten.

Values come in layers, each stronger than the one before: what is built in, what is built in
for a medium, then of the policy file ``[defaults]``, ``[medium.X]`` and ``[drive.N]``. A table
need not name everything; only what it names counts. `resolve` works out what holds for one
drive; refreshd.policy_review says who decided it, and what is doubtful about it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from types import MappingProxyType
from typing import Annotated

from pydantic import AfterValidator, Field

from refreshd.durations import is_shorter, subtract
from refreshd.errors import PolicyError
from refreshd.policy_drive import FIELDS, Values
from refreshd.policy_tables import (
    AccessRules,
    ClockRules,
    NoticeRules,
    Section,
    SlipRules,
    StagingRules,
    VisitRules,
)
from refreshd.policy_values import DRIVE_NUMBER_PATTERN, read_drive_number
from refreshd.quantities import DriveNumber, MediumKind
from refreshd.sizes import size_text

KeyPath = tuple[str, ...]


class Rules(Values):
    """One table of values; only what it names counts."""

    # What it does not name looks as if it were built in: ask `model_fields_set`, or `resolve`.


class DrivePolicy(Values):
    """All values in force for one drive, as `resolve` makes it."""

    def least_age_days(self, today: date) -> int:
        """Return how many days old, counted back from `today`, a chunk must be; 0: any age."""
        if self.least_age is None:
            return 0
        return (today - subtract(today, self.least_age)).days

    def as_text(self) -> dict[str, str]:
        """Return every value as it is written in the file, by its key, for the journal."""
        dumped = self.model_dump(mode="json", by_alias=True)
        return {key: toml_text(value) for key, value in dumped.items()}


class MediumRules(Section):
    """The tables by medium."""

    hard_disk: Rules = Field(default=Rules(), alias="hard-disk")
    shingled_disk: Rules = Field(default=Rules(), alias="shingled-disk")
    ssd: Rules = Rules()
    flash: Rules = Rules()

    def of(self, medium: MediumKind) -> Rules:
        """Return the table for one medium."""
        return {
            MediumKind.HARD_DISK: self.hard_disk,
            MediumKind.SHINGLED_DISK: self.shingled_disk,
            MediumKind.SSD: self.ssd,
            MediumKind.FLASH: self.flash,
        }[medium]


class Policy(Section):
    """The whole policy file. Without a file: `Policy()`."""

    defaults: Rules = Field(
        default=Rules(), description="What holds for every drive, unless a table below differs."
    )
    medium: MediumRules = Field(
        default=MediumRules(), description="What differs for one kind of medium."
    )
    drive: Mapping[Annotated[DriveNumber, AfterValidator(read_drive_number)], Rules] = Field(
        default_factory=dict,
        description="What differs for one drive, by its accession number.",
        json_schema_extra={"propertyNames": {"pattern": DRIVE_NUMBER_PATTERN}},
    )
    staging: StagingRules = Field(
        default=StagingRules(), description="Where staged copies are kept."
    )
    clock: ClockRules = Field(
        default=ClockRules(), description="When the clock of this server is not believed."
    )
    visits: VisitRules = Field(
        default=VisitRules(), description="Where and when drives are visited by the service."
    )
    slips: SlipRules = Field(
        default=SlipRules(), description="How drives are asked for, and who is reminded when."
    )
    notices: NoticeRules = Field(
        default=NoticeRules(), description="How slips and alarms reach people."
    )
    access: AccessRules = Field(
        default=AccessRules(), description="Who may talk to the service over its socket."
    )


BUILT_IN_BY_MEDIUM: Mapping[MediumKind, Rules] = MappingProxyType(
    {
        MediumKind.SSD: Rules.model_validate(
            {
                "refresh_interval": "1 year",
                "pause_at": "60 °C",
                "go_on_at": "55 °C",
                "give_up_at": "65 °C",
            }
        ),
        MediumKind.FLASH: Rules.model_validate({"refresh_interval": "6 months"}),
    }
)
"""What is built in and differs from `Values`.

An SSD without power must keep its data for 1 year at 30 C (client class; the enterprise
class, 3 months at 40 C, lies on the same curve), at the end of its rated endurance. At 25 C
that is two years, so that one year leaves a margin of two. Sticks and cards are not covered
and have weaker cells, so half of it. Source: JEDEC JESD218, quoted at second hand; factors
between temperatures computed with 1.1 eV; the halving is common practice, no source.

An SSD has no mechanics that warmth wears, and its makers allow 70 C while working (data sheets,
from memory); written at the temperatures of a hard disk that is too hot it is at its usual ones,
and would rest for nothing. What a stick or card allows, and how warm it is, it mostly does not
say: it is treated like a hard disk.
"""

_HEAT = {"pause_celsius", "go_on_celsius", "give_up_celsius"}

_BUILT_IN_BUT_HEAT: Mapping[MediumKind, Rules] = MappingProxyType(
    {
        medium: Rules.model_validate(
            rules.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude=_HEAT)
        )
        for medium, rules in BUILT_IN_BY_MEDIUM.items()
    }
)
"""The same without temperatures, for a file whose [defaults] names one.

The three belong together: one line that makes every drive rest sooner must not contradict what
is built in for SSDs alone, so that none of them could be visited any more.
"""


@dataclass(frozen=True, slots=True)
class Layer:
    """One table of values and its place; `table` is None for what is built in."""

    rules: Rules
    path: KeyPath
    table: str | None
    built_in: str = "built-in default"


def resolve(policy: Policy, medium: MediumKind, number: DriveNumber | None = None) -> DrivePolicy:
    """
    Return the values in force for one drive (or, without a number, for any drive of a medium).

    Raises:
        PolicyError: If values from different tables contradict each other.
    """
    decided = effective(policy, medium, number)
    if wrong := contradictions_in(decided):
        whose = f"drive {number}" if number else f"medium {medium}"
        raise PolicyError(f"{whose}: {wrong[0].says}. Change one of the two in the policy.")
    return decided


def decider(policy: Policy, key: str, medium: MediumKind, number: DriveNumber | None) -> Layer:
    """Return the strongest layer that sets a key."""
    name = FIELDS[key]
    layers = _layers(policy, medium, number)
    return next(
        (layer for layer in reversed(layers) if name in layer.rules.model_fields_set), layers[0]
    )


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two values that cannot stand together: their keys, and a sentence."""

    keys: tuple[str, str]
    says: str


def contradictions_in(values: DrivePolicy) -> tuple[Contradiction, ...]:
    """Return what is wrong between the values of one drive; each alone is within its bounds."""
    found: list[Contradiction] = []
    if values.segment_bytes % values.chunk_bytes:
        segment, chunk = size_text(values.segment_bytes), size_text(values.chunk_bytes)
        says = f'segment_size "{segment}" is no multiple of chunk_size "{chunk}"'
        found.append(Contradiction(("segment_size", "chunk_size"), says))
    # A drive whose chunks are all too young when it falls due would never be rewritten.
    if values.least_age and not is_shorter(values.least_age, values.refresh_interval):
        least, interval = values.least_age, values.refresh_interval
        says = f'least_age "{least}" is not shorter than refresh_interval "{interval}"'
        found.append(Contradiction(("least_age", "refresh_interval"), says))
    return (*found, *_heat_contradictions(values))


def _heat_contradictions(values: DrivePolicy) -> Iterator[Contradiction]:
    """Yield what is wrong between the temperatures: go_on_at < pause_at < give_up_at."""
    degrees = {
        "go_on_at": values.go_on_celsius,
        "pause_at": values.pause_celsius,
        "give_up_at": values.give_up_celsius,
    }
    for (lower, cooler), (higher, hotter) in pairwise(degrees.items()):
        if cooler >= hotter:
            says = f'{lower} "{cooler} °C" is not below {higher} "{hotter} °C"'
            yield Contradiction((lower, higher), says)


def toml_text(value: str | bool | int | Sequence[str]) -> str:  # noqa: FBT001 - a value, not a switch
    """Return a value as the policy file has it; JSON writes these alike."""
    return json.dumps(value, ensure_ascii=False)


def table_text(path: KeyPath) -> str:
    """Return ``[drive.K07]``: a table's header as the policy file has it."""
    parts = (part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else toml_text(part) for part in path)
    return f"[{'.'.join(parts)}]"


def _layers(policy: Policy, medium: MediumKind, number: DriveNumber | None) -> tuple[Layer, ...]:
    """Return the layers that count for a drive, the weakest first."""
    names_heat = not _HEAT.isdisjoint(policy.defaults.model_fields_set)
    by_medium = _BUILT_IN_BUT_HEAT if names_heat else BUILT_IN_BY_MEDIUM
    layers = [
        Layer(Rules(), (), None),
        Layer(by_medium.get(medium, Rules()), (), None, f"built-in default for {medium}"),
        _from_file(policy.defaults, ("defaults",)),
        _from_file(policy.medium.of(medium), ("medium", medium.value)),
    ]
    if number is not None and number in policy.drive:
        layers.append(_from_file(policy.drive[number], ("drive", number)))
    return tuple(layers)


def _from_file(rules: Rules, path: KeyPath) -> Layer:
    return Layer(rules, path, table_text(path))


def effective(policy: Policy, medium: MediumKind, number: DriveNumber | None) -> DrivePolicy:
    """Lay the layers over each other."""
    values: dict[str, object] = {}
    for layer in _layers(policy, medium, number):
        values |= {name: getattr(layer.rules, name) for name in layer.rules.model_fields_set}
    return DrivePolicy().model_copy(update=values)
