"""Does the server run on battery?"""

from __future__ import annotations

import psutil


def has_battery() -> bool:
    """Say whether there is a battery that says how it is."""
    return psutil.sensors_battery() is not None


def is_on_battery() -> bool:
    """
    Say whether the mains have failed and a battery says so.

    A server without a battery, or with one that does not say, is on mains as far as anybody
    knows. Source: psutil, `sensors_battery`: None, or `power_plugged` None, where not known.
    """
    battery = psutil.sensors_battery()
    return battery is not None and battery.power_plugged is False
