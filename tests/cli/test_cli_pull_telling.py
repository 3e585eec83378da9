"""What the pull list says beside its slips."""

from __future__ import annotations

from datetime import date

from refreshd.telling.pulling import pull_lines
from refreshd.telling.service_as_json import pull_list_object
from refreshd.verbs.slips import PullList

TOO_MUCH = "the policy wants about 90.0 visits a month, but the bays can serve 30.0"


def test_a_shelf_that_is_too_large_for_its_bays_is_told() -> None:
    """Nobody should find out after years that the policy could never be kept."""
    found = PullList(date(2031, 6, 2), overload=TOO_MUCH)

    assert f"Not all drives can be kept to the policy: {TOO_MUCH}." in list(pull_lines(found))
    assert pull_list_object(found)["overload"] == TOO_MUCH


def test_nothing_is_said_of_bays_that_are_enough() -> None:
    """The usual list stays short."""
    assert not any("policy" in line for line in pull_lines(PullList(date(2031, 6, 2))))
