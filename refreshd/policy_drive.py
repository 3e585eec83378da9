"""What the policy says about how one drive is treated: the keys, what is built in, and why."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated

from pydantic import BeforeValidator, Field

from refreshd.durations import Duration
from refreshd.health_cards import HeatLimits
from refreshd.policy_readers import choice
from refreshd.policy_tables import Section
from refreshd.policy_values import (
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
)
from refreshd.quantities import MIB


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
            "Temperature of the drive at which a pass rests until it has cooled, in whole degrees "
            "Celsius from 20 to 70. 25 °C to 45 °C is normal for a hard disk, the fifties are "
            "dangerous in the long run (common practice, no source); more than the 60 °C that "
            "makers of disks allow at work warns."
        ),
    )
    go_on_celsius: Celsius = Field(
        default=45,
        alias="go_on_at",
        description=(
            "Temperature to which it must cool before the pass goes on: below pause_at. A drive "
            "that does not cool so far within an hour stands too warm, and the pass is given up."
        ),
    )
    give_up_celsius: Celsius = Field(
        default=55,
        alias="give_up_at",
        description=(
            "Temperature at which the pass is given up for now and the drive stopped, because it "
            "gets hotter even at rest: above pause_at. It goes on from where it was when it is "
            "run again."
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
            'drive is asked out if no pass brings it; or "with its visits", which asks for no '
            "drive for its health alone. More than monthly warns."
        ),
    )
    attached_health_interval_s: AttachedEvery = Field(
        default=86400,
        alias="health_while_attached",
        description=(
            "How often a drive that stays attached is asked for its health: minutes or hours. "
            'One that stands still is left alone. "none": only with its passes. Less than 1 hour '
            "warns."
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


def _key(name: str) -> str:
    return Values.model_fields[name].alias or name


FIELDS: Mapping[str, str] = MappingProxyType({_key(name): name for name in Values.model_fields})
"""The attribute that each key of a table is read into."""
