"""The catalogues that every contract test of them runs on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from refreshd.adapters.catalogue import SqliteCatalogue
from refreshd.events import Event
from refreshd.ports import CatalogueStore
from refreshd.simulated.catalogue import MemoryCatalogue
from tests.builders import Scribe

Keep = Callable[..., None]


@pytest.fixture(params=["memory", "file"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[CatalogueStore]:
    """Return an empty catalogue of each kind."""
    if request.param == "memory":
        yield MemoryCatalogue()
        return
    with SqliteCatalogue.for_writing(tmp_path / "catalogue.sqlite") as catalogue:
        yield catalogue


@pytest.fixture
def scribe() -> Scribe:
    """Return the writer of the one journal."""
    return Scribe()


@pytest.fixture
def keep(store: CatalogueStore, scribe: Scribe) -> Keep:
    """Return a function that records events, all in one transaction."""

    def keep_all(*events: Event) -> None:
        store.apply(scribe.entries(*events))

    return keep_all
