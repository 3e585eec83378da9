"""A verb that runs a pass: its progress on stderr, and signals that ask it to stop."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from refreshd.cli.answer import STOPPED, Answer, print_answer
from refreshd.cli.choosing import Chosen, chosen
from refreshd.cli.signals import BY_DAEMON, StopRequest
from refreshd.cli.world import Asked
from refreshd.ports import Attendant
from refreshd.reception.protocol import Reception
from refreshd.telling.as_json import error_of
from refreshd.telling.progress import BarTeller, PlainTeller


@dataclass(frozen=True, slots=True)
class Watch:
    """Who runs passes for this verb, and who hears how they go."""

    attendant: Attendant
    _chosen: Chosen
    _request: StopRequest

    @property
    def afterwards(self) -> tuple[str, ...]:
        """Return what else to say when the pass has ended."""
        if self._request.stopping is not BY_DAEMON:
            return ()
        # The service goes on with what else is due. Who reads only that a pass ended pulls it out.
        return (
            "Leave the drive plugged in until `refreshd status` says that it may be unplugged.",
        )

    def for_place(self, path: str | None) -> tuple[Reception, str | None]:
        """Return who works on a drive at a place, and how that one knows the place."""
        reception, place = self._chosen.for_place(path)
        if reception is self._chosen.daemon:
            self._request.stopping = BY_DAEMON
        return reception, place


@contextmanager
def watched(asked: Asked, *, as_json: bool) -> Iterator[Watch]:
    """Give what a verb needs that runs a pass: with progress, and ended by signals."""
    world = asked.world

    def leave() -> None:
        message = "left at once, as asked twice; the pass goes on from its last checkpoint"
        answer = Answer({"error": error_of("PassStoppedError", message, STOPPED)})
        if as_json:
            print_answer(answer, world.out, as_json=True)
        world.leave(STOPPED)

    with StopRequest(world.call_out, leave) as request:
        teller: BarTeller | PlainTeller
        if world.err.isatty():
            teller = BarTeller(world.err, lambda: request.is_asked)
        else:
            teller = PlainTeller(world.err, world.clock, lambda: request.is_asked)
        try:
            with chosen(asked, teller) as found:
                yield Watch(found.here.bare.attendant, found, request)
        finally:
            teller.close()
