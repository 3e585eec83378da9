"""Who may look and who may act, asked over a real socket by processes of other users."""

from __future__ import annotations

import json
import pwd
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from refreshd.api.refusal import REFUSAL_BODY, REFUSAL_BYTES
from refreshd.policy_tables import AccessRules
from refreshd.verbs.records import JournalWish, show_journal
from refreshd.wiring.station import Station
from tests.fakes.house import House, serving
from tests.fakes.neighbour import (
    ACTING,
    ACTOR,
    LOOKER,
    LOOKING,
    NOT_LET_IN,
    ROOT,
    STRANGER,
    Neighbour,
    number_of_group,
    request,
)

pytestmark = pytest.mark.root

LOOKS = (
    "/v1/about",
    "/v1/shelf",
    "/v1/drives/K07",
    "/v1/drives/K07/policy",
    "/v1/findings",
    "/v1/journal",
    "/v1/journal/verification",
    "/v1/pull-list",
    "/v1/status",
    "/v1/openapi.json",
)

ACTS = (
    ("POST", "/v1/drives/K07/accept", b'{"findings":["F1"]}'),
    ("POST", "/v1/drives/K07/withdraw", b'{"reason":"sold"}'),
    ("PATCH", "/v1/drives/K07", b'{"title":"mine"}'),
    ("POST", "/v1/drives/K07/lift-hold", b'{"reason":"so"}'),
    ("POST", "/v1/journal/attest-clock", b""),
    ("POST", "/v1/drives/K07/return", b""),
    ("POST", "/v1/pause", b"{}"),
    ("POST", "/v1/resume", b""),
    ("POST", "/v1/drives/K07/stop", b""),
    ("POST", "/v1/drives/K07/pass", b'{"kind":"refresh"}'),
    ("POST", "/v1/accessions", b'{"on":"/dev/sdx","number":"A1","shelfmark":"s","title":"t"}'),
)

ELSEWHERE = (
    ("GET", "/"),
    ("GET", "/v1/nothing"),
    ("DELETE", "/v1/shelf"),
    ("OPTIONS", "/v1/shelf"),
    ("TRACE", "/v1/shelf"),
    ("POST", "/v1/shelf"),
    ("GET", "/v1/drives/%2e%2e%2fetc"),
    ("GET", "http://elsewhere/v1/shelf"),
)


def records(station: Station) -> int:
    """Return how many records the journal has."""
    return len(list(show_journal(station, JournalWish(with_checkpoints=True))))


def test_a_stranger_gets_one_and_the_same_answer_to_everything(
    house: House, station: Station
) -> None:
    """Not which paths there are, nor which methods, nor the description, nor what is a mistake."""
    before = records(station)
    asked = [("GET", target, b"") for target in LOOKS]
    asked += [*ACTS, *((method, target, b"") for method, target in ELSEWHERE)]
    asked += [("POST", "/v1/pause", b"{not json"), ("POST", "/v1/pause", b"x" * 200_000)]

    answers = [STRANGER.says(house.path, request(*one))[1] for one in asked]

    assert [one for one, said in zip(asked, answers, strict=True) if said != REFUSAL_BYTES] == []
    assert house.caretaker.orders == []
    assert house.caretaker.pause_now is None
    assert records(station) == before


@pytest.mark.parametrize(
    "said",
    [
        b"\0\1\2\3" * 40,
        b"GET\r\n\r\n",
        b"GET /v1/shelf HTTP/9.9\r\n\r\n",
        b"A" * 40_000,
        b"\r\n" * 9,
    ],
    ids=["bytes", "half", "version", "long", "empty lines"],
)
def test_what_is_no_request_gets_the_answer_of_a_stranger(house: House, said: bytes) -> None:
    """Not even that HTTP is spoken here can be told apart by a mistake in it."""
    _, answer = STRANGER.says(house.path, said, ends=True)

    assert answer in {REFUSAL_BYTES, b""}


def test_a_looker_looks_and_cannot_act(house: House, station: Station) -> None:
    """Every GET is answered, everything else is refused before it is read."""
    before = records(station)

    looked = {target: LOOKER.asks(house.path, "GET", target)[0] for target in LOOKS}
    acted = {
        (method, target): LOOKER.asks(house.path, method, target, body)
        for method, target, body in (*ACTS, ("POST", "/v1/nothing", b"{broken"))
    }

    assert set(looked.values()) == {200}
    assert {status for status, _ in acted.values()} == {403}
    assert all(b"act_group" in body for _, body in acted.values())
    assert house.caretaker.orders == []
    assert records(station) == before


def test_an_actor_acts_and_is_named_in_the_journal(house: House, station: Station) -> None:
    """The name is that of the user behind the socket; the caller cannot choose another."""
    status, _ = ACTOR.asks(house.path, "POST", "/v1/journal/attest-clock")
    paused, _ = ACTOR.asks(house.path, "POST", "/v1/pause", b"{}")
    entry = list(show_journal(station, JournalWish()))[-1]

    assert (status, paused) == (200, 200)
    assert entry.event.said_by == "nobody"  # type: ignore[union-attr] # a ClockAttested
    assert house.caretaker.pause_now is not None
    assert house.caretaker.pause_now.said_by == "nobody"


def test_whoever_may_act_may_look(house: House) -> None:
    """A group that may act and could not see what it acts on would be of no use."""
    assert {ACTOR.asks(house.path, "GET", target)[0] for target in LOOKS} == {200}


def test_root_may_do_everything(house: House) -> None:
    """Without being in any group."""
    assert ROOT.asks(house.path, "GET", "/v1/shelf")[0] == 200
    assert ROOT.asks(house.path, "POST", "/v1/pause", b"{}")[0] == 200


def test_root_may_say_for_whom_it_acts_and_nobody_else(house: House, station: Station) -> None:
    """What sudo knows reaches the journal; a header of anybody else is no proof of anything."""
    said = b"POST /v1/journal/attest-clock HTTP/1.1\r\nHost: x\r\nrefreshd-behalf: vera\r\n"
    said += b"Connection: close\r\n\r\n"
    ROOT.says(house.path, said)
    ACTOR.says(house.path, said)

    names = [entry.event.said_by for entry in list(show_journal(station, JournalWish()))[-2:]]  # type: ignore[union-attr] # ClockAttested

    assert names == ["vera as root", "nobody"]


def test_the_user_database_counts_where_the_kernel_knows_less(house: House) -> None:
    """Whoever was put into a group since he logged in need not log in anew."""
    games = pwd.getpwnam("games")
    lone = Neighbour(games.pw_uid, NOGROUP)

    assert games.pw_gid == number_of_group(LOOKING)
    assert lone.asks(house.path, "GET", "/v1/shelf")[0] == 200
    assert lone.asks(house.path, "POST", "/v1/pause", b"{}")[0] == 403


NOGROUP = 65534


def test_the_main_group_of_a_process_counts(house: House) -> None:
    """A group may be the main one of a process, and then stands in no list."""
    looker = Neighbour(STRANGER.uid, number_of_group(LOOKING))

    assert looker.asks(house.path, "GET", "/v1/shelf")[0] == 200


def test_a_process_with_more_groups_than_fit_is_judged_by_the_rest(house: House) -> None:
    """The kernel tells at most 256 groups here; a process with more is no error, and no key."""
    many = Neighbour(STRANGER.uid, STRANGER.gid, tuple(range(2000, 2300)))

    assert many.asks(house.path, "GET", "/v1/shelf") == (403, REFUSAL_BODY)


def test_another_policy_changes_who_may_act_from_the_next_request_on(house: House) -> None:
    """A reload needs no new socket; the groups of before have no right any more."""
    rules = AccessRules(look_group=ACTING, act_group=LOOKING)
    set_access(house, rules)

    assert LOOKER.asks(house.path, "POST", "/v1/pause", b"{}")[0] == 200
    assert ACTOR.asks(house.path, "POST", "/v1/resume")[0] == 403
    assert ACTOR.asks(house.path, "GET", "/v1/shelf")[0] == 200


def set_access(house: House, rules: AccessRules) -> None:
    """Put another policy in force, as a reload does."""
    station = house.caretaker.station
    policy = station.policy.policy.model_copy(update={"access": rules})
    house.caretaker.station = replace(station, policy=replace(station.policy, policy=policy))
    house.do(house.server.access_changed)


@pytest.fixture
def one_group(place: Path, station: Station) -> Iterator[House]:
    """Return an interface for one group."""
    rules = AccessRules(look_group=LOOKING, act_group=LOOKING)
    with serving(place / "socket", station, access=rules) as house:
        yield house


def test_with_one_group_the_socket_itself_keeps_strangers_out(one_group: House) -> None:
    """The file's mode is a second wall: who is in no group cannot even connect."""
    found = one_group.path.stat()

    assert (found.st_mode & 0o777, found.st_gid) == (0o660, number_of_group(LOOKING))
    assert STRANGER.says(one_group.path, request("GET", "/v1/shelf"))[0] == NOT_LET_IN
    assert LOOKER.asks(one_group.path, "GET", "/v1/shelf")[0] == 200


def test_a_reload_changes_the_mode_of_the_socket(one_group: House) -> None:
    """One group, two groups, a group that is not there: nobody but root."""
    set_access(one_group, AccessRules(look_group=LOOKING, act_group=ACTING))
    two = one_group.path.stat().st_mode & 0o777
    set_access(one_group, AccessRules(look_group="no-such-group", act_group="no-such-group"))
    none = one_group.path.stat().st_mode & 0o777

    assert (two, none) == (0o666, 0o600)
    assert LOOKER.says(one_group.path, request("GET", "/v1/shelf"))[0] == NOT_LET_IN
    assert ROOT.asks(one_group.path, "GET", "/v1/shelf")[0] == 200


def test_a_group_that_is_not_there_opens_nothing(place: Path, station: Station) -> None:
    """A slip of the pen in the policy shuts a door, it opens none."""
    rules = AccessRules(look_group="no-such-group", act_group=ACTING)
    with serving(place / "socket", station, access=rules) as house:
        house.path.chmod(0o666)

        assert LOOKER.asks(house.path, "GET", "/v1/shelf") == (403, REFUSAL_BODY)
        assert ACTOR.asks(house.path, "GET", "/v1/shelf")[0] == 200


def test_the_refusal_is_an_error_like_any_other() -> None:
    """A script that reads errors reads this one, and learns what to ask for."""
    error = json.loads(REFUSAL_BODY)["error"]

    assert (error["kind"], error["exit_code"]) == ("RefusedError", 3)
    assert "look_group" in error["message"]
