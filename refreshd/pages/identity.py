"""Who a drive says it is, whatever language it speaks."""

from __future__ import annotations

from dataclasses import dataclass

NOT_TURNING = 1
_RPM_LOWEST, _RPM_HIGHEST = 0x0401, 0xFFFE


@dataclass(frozen=True, slots=True)
class DriveIdentity:
    """Names of a drive, as it gives them; None for what it does not say.

    `rotation` is in turns a minute, or `NOT_TURNING`.
    """

    wwn: str | None = None
    model: str | None = None
    serial: str | None = None
    firmware: str | None = None
    size_bytes: int | None = None
    rotation: int | None = None

    @property
    def is_flash(self) -> bool:
        """Whether it says that nothing turns."""
        return self.rotation == NOT_TURNING


def rotation_of(code: int) -> int | None:
    """
    Return the nominal rotation from the code that ATA and SCSI share; None: it says none.

    Source: ACS IDENTIFY word 217, SBC VPD page B1h (codes from memory).
    """
    is_said = code == NOT_TURNING or _RPM_LOWEST <= code <= _RPM_HIGHEST
    return code if is_said else None
