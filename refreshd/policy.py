"""The policy: how often and how gently the drives in care are read and rewritten.

Values come in layers, each stronger than the one before: what is built in, what is built in
for a medium, then of the policy file ``[defaults]``, ``[medium.X]`` and ``[drive.N]``. A table
need not name everything; only what it names counts. `resolve` works out what holds for one
drive; refreshd.policy_review says who decided it, and what is doubtful about it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from refreshd.durations import Duration, is_shorter, subtract
from refreshd.errors import PolicyError
from refreshd.health_cards import HeatLimits
from refreshd.policy_readers import choice
from refreshd.policy_tables import (
    AccessRules,
    ClockRules,
    NoticeRules,
    Section,
    SlipRules,
    StagingRules,
    VisitRules,
)
from refreshd.policy_values import (
    DRIVE_NUMBER_PATTERN,
    AttachedEvery,
    Celsius,
    ChunkSize,
    HealthInterval,
    Interval,
    Lag,
    LeastAge,
    RateLimit,
    SampleEvery,
    SegmentSize,
    Unproved,
    Wait,
    YesNo,
    read_drive_number,
)
from refreshd.quantities import MIB, DriveNumber, MediumKind
from refreshd.sizes import size_text

KeyPath = tuple[str, ...]


class Values(Section):
    """What the policy says about how a drive is treated, with what is built in for hard disks."""

    refresh_interval: Interval = Field(
        default=Duration(years=3),
        description=(
            "Calendar time from one rewriting of a drive to the next. Common practice for hard "
            "disks is every two to three years; more often than yearly is excessive wear and "
            "warns (common practice, no source)."
        ),
    )
    fixity_interval: Interval = Field(
        default=Duration(years=1),
        description=(
            "Calendar time from one complete reading, which compares every byte with the "
            "recorded digests and writes nothing, to the next (common practice, no source)."
        ),
    )
    least_age: LeastAge = Field(
        default=Duration(days=30),
        description=(
            "A chunk that was rewritten and proved more recently than this is left alone by a "
            'refresh. Shorter than the refresh interval; "none": every chunk is rewritten.'
        ),
    )
    chunk_bytes: ChunkSize = Field(
        default=4 * MIB,
        alias="chunk_size",
        description=(
            "Size of the pieces that have a digest and a date each: a power of two from 64 KiB "
            "to 64 MiB. Used when a drive is taken into care; a drive keeps what it was taken "
            "in with."
        ),
    )
    segment_bytes: SegmentSize = Field(
        default=64 * MIB,
        alias="segment_size",
        description=(
            "How much is read, staged and written in one go: a multiple of the chunk size, at "
            "most 1 GiB. Smaller segments make a hard disk seek more often."
        ),
    )
    readback_lag_bytes: Lag = Field(
        default=512 * MIB,
        alias="readback_lag",
        description=(
            "How much else must go over the drive before a written place is read back, so that "
            "the answer comes from the medium and not from the drive's own cache: at least "
            "twice that cache, from 1 MiB to 64 GiB. Drives do not tell the size of their "
            "cache, data sheets do: 256 MB is usual, 512 MB on the largest, which want 1 GiB "
            "here. Less than 512 MiB warns. The staging directory needs about this much room "
            "more."
        ),
    )
    rate_bytes_per_s_max: RateLimit = Field(
        default=None,
        alias="rate_limit",
        description=(
            "Bytes per second that go over the drive at most, reading and writing together, "
            'from 1 MB/s; "none": as fast as the drive goes.'
        ),
    )
    is_closing: YesNo = Field(
        default=False,
        alias="closing_pass",
        description=(
            "Whether the whole drive is read once more at the end of a refresh, the only thing "
            "that catches a write that landed in the wrong place. A refresh takes about a "
            "third longer with it. true or false."
        ),
    )
    pause_celsius: Celsius = Field(
        default=50,
        alias="pause_at",
        description=(
            "Temperature of the drive at which a pass rests until it has cooled: 25 °C to 45 °C "
            "is normal, the fifties are dangerous in the long run (common practice, no source); "
            "makers allow 60 °C while working."
        ),
    )
    go_on_celsius: Celsius = Field(
        default=45,
        alias="go_on_at",
        description="Temperature to which it must cool before the pass goes on. Below pause_at.",
    )
    give_up_celsius: Celsius = Field(
        default=55,
        alias="give_up_at",
        description=(
            "Temperature at which the pass is given up for now and the drive stopped, because it "
            "gets hotter even at rest. Above pause_at."
        ),
    )
    temperature_every_s: SampleEvery = Field(
        default=15,
        alias="temperature_every",
        description=(
            "How often a drive is asked for its temperature while it works: 10 to 30 seconds. "
            "Never while it is idle, since asking can keep it awake."
        ),
    )
    health_interval: HealthInterval = Field(
        default=None,
        description=(
            'Calendar time from one health reading to the next: a duration such as "4 months", '
            "common practice for drives with content that nobody can replace, for which the "
            'drive is asked out if no pass brings it; or "with its visits".'
        ),
    )
    attached_health_interval_s: AttachedEvery = Field(
        default=86400,
        alias="health_while_attached",
        description=(
            "How often a drive that stays attached is asked for its health: minutes or hours. "
            'One that stands still is left alone. "none": only with its passes.'
        ),
    )
    unproved: Annotated[Unproved, BeforeValidator(choice(Unproved))] = Field(
        default=Unproved.SAY,
        description=(
            'What becomes of a drive that never passed "refreshd prove": "say" so at its '
            'accession and refresh, or "refuse" both.'
        ),
    )
    request_timeout_s: Wait = Field(
        default=600,
        alias="request_timeout",
        description=(
            "Longest time that one request to the drive may take before the drive is held to "
            "hang and the pass stops: seconds, minutes or hours, at most 24 hours. A drive "
            "that struggles with a bad place may well take minutes; less than 1 minute warns."
        ),
    )

    @property
    def heat(self) -> HeatLimits:
        """When a pass rests for heat."""
        return HeatLimits(
            self.pause_celsius, self.go_on_celsius, self.give_up_celsius, self.temperature_every_s
        )


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
        MediumKind.SSD: Rules.model_validate({"refresh_interval": "1 year"}),
        MediumKind.FLASH: Rules.model_validate({"refresh_interval": "6 months"}),
    }
)
"""What is built in and differs from `Values`.

An SSD without power must keep its data for 1 year at 30 C (client class; the enterprise
class, 3 months at 40 C, lies on the same curve), at the end of its rated endurance. At 25 C
that is two years, so that one year leaves a margin of two. Sticks and cards are not covered
and have weaker cells, so half of it. Source: JEDEC JESD218, quoted at second hand; factors
between temperatures computed with 1.1 eV; the halving is common practice, no source.
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
    return tuple(found)


def _key(name: str) -> str:
    return Values.model_fields[name].alias or name


FIELDS: Mapping[str, str] = MappingProxyType({_key(name): name for name in Values.model_fields})
"""The attribute that each key of a table is read into."""


def toml_text(value: str | bool | int | Sequence[str]) -> str:  # noqa: FBT001 - a value, not a switch
    """Return a value as the policy file has it; JSON writes these alike."""
    return json.dumps(value, ensure_ascii=False)


def table_text(path: KeyPath) -> str:
    """Return ``[drive.K07]``: a table's header as the policy file has it."""
    parts = (part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else toml_text(part) for part in path)
    return f"[{'.'.join(parts)}]"


def _layers(policy: Policy, medium: MediumKind, number: DriveNumber | None) -> tuple[Layer, ...]:
    """Return the layers that count for a drive, the weakest first."""
    layers = [
        Layer(Rules(), (), None),
        Layer(BUILT_IN_BY_MEDIUM.get(medium, Rules()), (), None, f"built-in default for {medium}"),
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
