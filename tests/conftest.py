"""Fixtures and rules for all tests."""

from __future__ import annotations

import os

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave out what needs root when we are not root; in CI nothing is left out."""
    if os.geteuid() == 0 or os.environ.get("CI"):
        return
    reason = pytest.mark.skip(reason="needs root: loop devices, mounts")
    for item in items:
        if item.get_closest_marker("root"):
            item.add_marker(reason)
