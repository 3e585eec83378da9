"""The interface against its own description: nothing that can be asked breaks it."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, Phase, given, settings

from refreshd.api.app import make_app
from refreshd.api.gate import Gate, Receive, Scope, Send
from refreshd.api.limits import Limits
from refreshd.api.peers import Doorkeeper, Peer
from refreshd.api.refusal import REFUSAL_BODY
from refreshd.messages import VisitEnded
from refreshd.policy_tables import AccessRules
from refreshd.ports import VisitOrder
from refreshd.quantities import Outcome
from refreshd.wiring.station import Station
from tests.api.conftest import TWO_GROUPS
from tests.fakes.house import NODE, House, InventedCaretaker, an_office, serving
from tests.fakes.neighbour import STRANGER

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # of the library, about its own dependencies
    import schemathesis
    from schemathesis import GenerationMode
    from schemathesis.specs.openapi.checks import positive_data_acceptance

EXAMPLES_ALONE = 30
EXAMPLES_ON_A_SOCKET = 8
"""Questions for each path and kind; together the tests below take about a minute."""

ENDLESS = {"/v1/messages"}
"""What is told until one side ends; `test_api_watching` asks it."""


def begun(caretaker: InventedCaretaker, order: VisitOrder) -> None:
    """Play a visit that finds nothing to do."""
    ended = VisitEnded(
        drive=order.drive,
        pass_kind=order.kind,
        outcome=Outcome.SUCCESS,
        is_complete=True,
        findings=0,
    )
    caretaker.tell(order.on or NODE, order.drive, ended)


@dataclass(frozen=True)
class Door:
    """The application behind its gate, with somebody before it."""

    gate: Gate
    peer: Peer

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on as one of this peer. What begins an application is none."""
        if scope["type"] == "lifespan":
            raise NotImplementedError("a server of ours has no such thing")
        scope.setdefault("state", {})["peer"] = self.peer
        await self.gate(scope, receive, send)


def door_of(station: Station, peer: Peer) -> Door:
    """Return the application over a station, as one peer sees it."""
    office, _ = an_office(station, begun, TWO_GROUPS)
    door = Doorkeeper(lambda: TWO_GROUPS, own_uid=0)
    return Door(Gate(make_app(office), door, Limits()), peer)


@cache
def description() -> dict[str, Any]:
    """Return the description, as the application gives it."""
    from tests.fakes.house import a_station  # noqa: PLC0415 - made once, for the names of the tests

    office, _ = an_office(a_station(Path("/nonexistent")))
    return make_app(office).openapi()


ASKED = [
    pytest.param(path, method, id=f"{method.upper()} {path}")
    for path, methods in description()["paths"].items()
    for method in methods
    if path not in ENDLESS
]
MODES = [GenerationMode.POSITIVE, GenerationMode.NEGATIVE]


def takes_words(path: str, method: str) -> bool:
    """Say whether there is anything to a question that could be wrong."""
    one = description()["paths"][path][method]
    return bool(one.get("parameters") or one.get("requestBody"))


def modes_of(path: str, method: str) -> list[GenerationMode]:
    """Return in which ways a question can be asked: well formed, and not."""
    return MODES if takes_words(path, method) else MODES[:1]


IN_EACH_MODE = [
    pytest.param(*asked.values, mode, id=f"{mode.value} {asked.id}")
    for asked in ASKED
    for mode in modes_of(str(asked.values[0]), str(asked.values[1]))
]


def operation(path: str, method: str) -> Any:  # noqa: ANN401 - the library's own type
    """Return one question of the description."""
    return schemathesis.openapi.from_dict(description())[path][method.upper()]


def ask(strategy: Any, examples: int, act: Callable[[Any], None]) -> None:  # noqa: ANN401 - likewise
    """Ask with many values; what fails is told with the value that did it."""

    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.explicit, Phase.generate, Phase.shrink],
    )
    @given(strategy)
    def asked(case: Any) -> None:  # noqa: ANN401 - likewise
        act(case)

    asked()


def test_the_description_is_complete() -> None:
    """OpenAPI 3.1; each path says what it is for, and each has a right to be asked for."""
    found = description()
    silent = [
        (path, method)
        for path, methods in found["paths"].items()
        for method, one in methods.items()
        if not (one.get("summary") and one.get("description") and one.get("tags"))
    ]
    wrong = [
        (path, method)
        for path, methods in found["paths"].items()
        for method, one in methods.items()
        if (method == "get") != (one["tags"] == ["looking"])
    ]

    assert found["openapi"].startswith("3.1")
    assert silent == wrong == []
    assert all(path.startswith("/v1/") for path in found["paths"])


@pytest.mark.parametrize(("path", "method", "mode"), IN_EACH_MODE)
def test_no_question_breaks_the_interface(
    station: Station, path: str, method: str, mode: GenerationMode
) -> None:
    """No fault of ours whatever is asked; each answer is one of those that are described."""
    app = door_of(station, Peer(0, frozenset({0})))
    asked = operation(path, method)

    def act(case: Any) -> None:  # noqa: ANN401 - the library's own type
        response = case.call(app=app)
        if response.status_code != TOO_LARGE:  # the library knows no such answer to a wrong body
            case.validate_response(response, excluded_checks=LOOSE)

    ask(asked.as_strategy(generation_mode=mode), EXAMPLES_ALONE, act)


TOO_LARGE = 413
"""Some wrong bodies are larger than the gate lets in; `test_api_limits` holds it to that."""

LOOSE = [positive_data_acceptance]
"""A question that is well formed may still make no sense: a date in the future, a drive on hold."""


@pytest.mark.parametrize(("path", "method"), ASKED)
def test_whatever_a_stranger_asks_has_one_answer(station: Station, path: str, method: str) -> None:
    """Well formed or not, on a path that is there."""
    app = door_of(station, Peer(STRANGER.uid, frozenset({STRANGER.gid})))
    asked = operation(path, method)

    def act(case: Any) -> None:  # noqa: ANN401 - the library's own type
        response = case.call(app=app)
        assert (response.status_code, response.content) == (403, REFUSAL_BODY)

    for mode in modes_of(path, method):
        ask(asked.as_strategy(generation_mode=mode), EXAMPLES_ON_A_SOCKET, act)


@pytest.fixture
def house(place: Path, station: Station) -> Iterator[House]:
    """Return an interface on a real socket."""
    rules = AccessRules(look_group="no-such-group", act_group="no-such-group")
    with serving(place / "socket", station, begun, rules) as house:
        yield house


def test_no_question_breaks_the_server(house: House) -> None:
    """The same over the socket, on one connection after the other, and the server still serves."""
    transport = httpx.HTTPTransport(uds=str(house.path))
    with httpx.Client(transport=transport, base_url="http://refreshd", timeout=30) as client:

        def act(case: Any) -> None:  # noqa: ANN401 - the library's own type
            words = case.as_transport_kwargs(base_url="http://refreshd")
            words.pop("cookies", None)
            data = words.pop("data", None)
            try:
                response = client.request(**words, content=data)
            except (httpx.InvalidURL, httpx.LocalProtocolError, TypeError, ValueError):
                return  # Nobody can send that.
            assert response.status_code < 500
            if response.status_code == TOO_LARGE:
                return
            case.validate_response(response, excluded_checks=LOOSE)

        for param in IN_EACH_MODE:
            path, method, mode = param.values
            assert isinstance(mode, GenerationMode)
            strategy = operation(str(path), str(method)).as_strategy(generation_mode=mode)
            ask(strategy, EXAMPLES_ON_A_SOCKET, act)

        assert client.get("/v1/about").status_code == 200
