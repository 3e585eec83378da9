"""What stands behind every path: the record, read in threads, and the caretaker, in the loop.

Rules:

1. The caretaker is called in the loop alone, one call at a time; none of its calls waits.
2. Whatever reads or writes the record by a verb does so in a thread, with a catalogue of its own,
   so that a journal of gigabytes holds up nobody.
3. An answer is turned into JSON in that thread, too.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from refreshd.api.peers import Caller
from refreshd.api.watching import Gallery
from refreshd.caretaker import Caretaker
from refreshd.configfile import LoadedPolicy
from refreshd.reception.local import LocalReception, policy_sentences
from refreshd.reception.wire import Told
from refreshd.wiring.station import Station

if TYPE_CHECKING:
    from fastapi import Response

READERS = 3
LONG_READERS = 1
"""Threads for answers, and for what takes minutes; each holds a catalogue of its own, some MB."""

JSON = "application/json"
T = TypeVar("T")
Ask = Callable[[LocalReception], T]


def _threads(count: int, name: str) -> Callable[[], ThreadPoolExecutor]:
    return lambda: ThreadPoolExecutor(count, thread_name_prefix=name)


class Gathering:
    """`ports.Attendant` that keeps what was said, to be told beside the answer."""

    def __init__(self) -> None:
        self.heard: list[str] = []

    def wants_stop(self) -> bool:
        """Stop nothing."""
        return False

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Leave it; no pass runs here."""

    def said(self, sentence: str) -> None:
        """Keep it."""
        self.heard.append(sentence)


@dataclass(frozen=True, slots=True)
class Office:
    """
    What the paths work with.

    Args:
        station: The station with the policy that is in force now.
        caretaker: The mind of the service.
        policy_place: Where the policy file lies, or would lie.
        gallery: All who watch; hears what the caretaker hears.

    """

    station: Callable[[], Station]
    caretaker: Caretaker
    policy_place: Path
    gallery: Gallery = field(default_factory=Gallery)
    readers: ThreadPoolExecutor = field(default_factory=_threads(READERS, "reading"))
    long_readers: ThreadPoolExecutor = field(default_factory=_threads(LONG_READERS, "verifying"))

    def __post_init__(self) -> None:
        self.caretaker.listen(self.gallery.hear)

    async def look(self, caller: Caller, kind: type[Told[T]], ask: Ask[T]) -> Response:
        """Answer from the record."""
        return await self._answer(self.readers, caller, kind, ask)

    async def look_long(self, caller: Caller, kind: type[Told[T]], ask: Ask[T]) -> Response:
        """Answer what takes minutes, one such question after the other."""
        return await self._answer(self.long_readers, caller, kind, ask)

    async def write(self, caller: Caller, kind: type[Told[T]], ask: Ask[T]) -> Response:
        """Change the record by a verb, and let the caretaker know."""
        try:
            return await self._answer(self.readers, caller, kind, ask)
        finally:
            self.caretaker.shelf_changed()

    async def _answer(
        self, threads: ThreadPoolExecutor, caller: Caller, kind: type[Told[T]], ask: Ask[T]
    ) -> Response:
        def work() -> bytes:
            reception, gathering = self.reception(caller)
            answer = ask(reception)
            told = kind.model_construct(said=tuple(gathering.heard), answer=answer)
            return told.model_dump_json().encode()

        return _as_response(await self.in_thread(threads, work))

    async def in_thread(self, threads: ThreadPoolExecutor, work: Callable[[], T]) -> T:
        """Do something that may wait."""
        return await asyncio.get_running_loop().run_in_executor(threads, work)

    def reception(self, caller: Caller) -> tuple[LocalReception, Gathering]:
        """Return who answers from the record, and who hears what is said beside it."""
        gathering = Gathering()
        station = replace(self.station(), attendant=gathering)

        def loaded() -> LoadedPolicy:
            for sentence in policy_sentences(station.policy, self.policy_place):
                gathering.said(sentence)
            return station.policy

        return LocalReception(station, caller.name, loaded), gathering

    def close(self) -> None:
        """Let everybody go: the daemon ends."""
        self.gallery.close()
        for threads in (self.readers, self.long_readers):
            threads.shutdown(wait=False, cancel_futures=True)


def answer_of(kind: type[Told[Any]], answer: object) -> Response:
    """Return an answer that was at hand."""
    return _as_response(kind.model_construct(said=(), answer=answer).model_dump_json().encode())


def _as_response(body: bytes) -> Response:
    from fastapi import Response  # noqa: PLC0415 - an idle daemon has an office and no application.

    return Response(body, media_type=JSON)
