"""Fixtures and rules for all tests."""

from __future__ import annotations

import os
import signal

import pytest


def pytest_configure() -> None:
    """Hear signals that whoever started the tests in the background let be ignored.

    Processes inherit that, and those of the tests must be able to be interrupted.
    """
    for number in (signal.SIGINT, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_IGN:
            usual = signal.default_int_handler if number is signal.SIGINT else signal.SIG_DFL
            signal.signal(number, usual)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave out what needs root when we are not root; in CI nothing is left out."""
    if os.geteuid() == 0 or os.environ.get("CI"):
        return
    reason = pytest.mark.skip(reason="needs root: loop devices, mounts")
    for item in items:
        if item.get_closest_marker("root"):
            item.add_marker(reason)
