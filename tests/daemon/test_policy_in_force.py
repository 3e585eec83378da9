"""The policy in force while its file comes and goes."""

from __future__ import annotations

from pathlib import Path

import pytest

from refreshd.daemon.policy_in_force import PolicySource, read_policy, read_policy_anew
from refreshd.errors import PolicyError


@pytest.fixture
def source(tmp_path: Path) -> PolicySource:
    """Return the usual place of a plain user, where no file lies yet."""
    found = PolicySource(None, {"HOME": str(tmp_path)}, is_root=False)
    assert found.place.is_relative_to(tmp_path)
    found.place.parent.mkdir(parents=True)
    return found


def test_a_policy_that_is_gone_is_refused_while_the_service_runs(source: PolicySource) -> None:
    """Built-in values in its place would silently drop every channel and every rule."""
    source.place.write_text("[visits]\nbays = 2\n", encoding="utf-8")
    before = read_policy(source)
    source.place.unlink()

    with pytest.raises(PolicyError, match="the policy file is gone"):
        read_policy_anew(source, before)


def test_a_policy_that_is_changed_is_taken(source: PolicySource) -> None:
    """Also the first one, of a service that began with built-in values."""
    built_in = read_policy(source)
    again = read_policy_anew(source, built_in)
    source.place.write_text("[visits]\nbays = 2\n", encoding="utf-8")

    assert again == built_in
    assert read_policy_anew(source, again).loaded.policy.visits.bays == 2
