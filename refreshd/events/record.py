"""What every event of the journal has."""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict

from refreshd.quantities import DriveNumber, Outcome


class Record(BaseModel):
    """What every event has: a kind, the drive it is about (or none), and how it ended."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", ser_json_bytes="base64", val_json_bytes="base64"
    )

    label: ClassVar[str]
    kind: str
    drive: DriveNumber | None = None
    outcome: Outcome = Outcome.SUCCESS
