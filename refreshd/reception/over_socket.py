"""Asks the daemon over its Unix socket, and gives back the very records that a verb returns.

Rules:

1. Whatever is wrong with the way there is DaemonUnreachableError; what the daemon refuses is
   raised as the error that it was.
2. A pass that was asked for goes on when whoever asked goes away. Stopping is asked for once, as
   soon as the attendant wants it; the end is waited for, so that the report is whole.
3. What the daemon says beside an answer goes to the attendant, as it would have gone there from a
   verb in this process.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path
from typing import NamedTuple, TypeVar
from urllib.parse import quote

from pydantic import BaseModel, ValidationError

from refreshd.cards import DriveCard, Slip
from refreshd.caretaker.status import Status
from refreshd.errors import (
    DaemonUnreachableError,
    DriveError,
    InvariantBrokenError,
    RefreshdError,
    UnknownDriveError,
    UsageError,
)
from refreshd.events import Entry
from refreshd.messages import (
    Moved,
    Said,
    VisitEnded,
    WorkerEnded,
    arrived_report,
)
from refreshd.passes.bench import PassReport
from refreshd.ports import Attendant, ProvingWish
from refreshd.proving_cards import Certificate
from refreshd.quantities import DriveNumber, FindingId, ProvingId
from refreshd.reception.line import FIRST_S_MAX, Line, Query, error_told, read
from refreshd.reception.protocol import PassAsked
from refreshd.reception.wire import (
    JOURNAL_LINES,
    STREAM_LINES,
    About,
    AcceptWish,
    AccessionWish,
    Broken,
    CorrectWish,
    Heard,
    PassWish,
    PauseWish,
    ProvingWanted,
    ReadingWish,
    ReasonWish,
    SeatWish,
    Told,
)
from refreshd.verbs.care import Accession, Correction, TakenIn, Withdrawn
from refreshd.verbs.deciding import Accepted
from refreshd.verbs.health import HealthList, HealthView
from refreshd.verbs.looking import DriveView, FindingView, ShelfList
from refreshd.verbs.policies import Explained
from refreshd.verbs.proving import Proved, ProvingList
from refreshd.verbs.records import JournalWish, refuse_too_many
from refreshd.verbs.slips import PullList
from refreshd.wiring.shelf import JournalVerified

T = TypeVar("T")


class _Visit(NamedTuple):
    """A visit that is asked for: its path, the question, and the drive or place it is about."""

    path: str
    wish: BaseModel
    of: str


class SocketReception:
    """
    `reception.protocol.Reception` of a daemon.

    Args:
        path: Its socket.
        attendant: Hears what is said beside an answer.
        behalf: The person behind root, as sudo names him; empty: nobody.

    """

    def __init__(self, path: Path, attendant: Attendant, behalf: str = "") -> None:
        self._line = Line(path, attendant, behalf)

    def close(self) -> None:
        """Close the connection."""
        self._line.close()

    # Looking

    def about(self) -> About:
        """Return which daemon this is, or raise what keeps this user from it."""
        self._line.knock()
        return self._line.get("/about", Told[About], patience_s=FIRST_S_MAX)

    def shelf_list(self, as_of: date | None) -> ShelfList:
        """List the drives in care by due date."""
        return self._line.get("/shelf", Told[ShelfList], _given(as_of=as_of))

    def look_at(self, number: DriveNumber) -> DriveView:
        """Return what is known of a drive."""
        return self._line.get(_of(number), Told[DriveView])

    def open_findings(self, number: DriveNumber | None) -> tuple[FindingView, ...]:
        """Return the open findings."""
        return self._line.get("/findings", Told[tuple[FindingView, ...]], _given(drive=number))

    def show_journal(self, wish: JournalWish) -> Iterator[Entry]:
        """Yield the wanted entries."""
        refuse_too_many(wish)
        query = _given(drive=wish.number, last=wish.last, with_checkpoints=wish.with_checkpoints)
        with self._line.streaming("GET", "/journal", None, query) as lines:
            for text in lines:
                line = read(JOURNAL_LINES, text)
                if isinstance(line, Broken):
                    raise error_told(line.error)
                yield line.entry

    def check_journal(self) -> JournalVerified:
        """Verify the whole journal, however long that takes."""
        return self._line.get("/journal/verification", Told[JournalVerified], patience_s=None)

    def health_list(self) -> HealthList:
        """Return the drives in care, the worst by their health first."""
        return self._line.get("/health", Told[HealthList])

    def health_of(self, number: DriveNumber) -> HealthView:
        """Return the health readings of a drive."""
        return self._line.get(_of(number, "/health"), Told[HealthView])

    def provings(self) -> ProvingList:
        """Return the certificates of all drives, and the provings that have not ended."""
        return self._line.get("/provings", Told[ProvingList])

    def certificates(self, number: DriveNumber | None) -> tuple[Certificate, ...]:
        """Return the certificates of drives that were proved."""
        kind = Told[tuple[Certificate, ...]]
        return self._line.get("/certificates", kind, _given(drive=number))

    def proved(self, wanted: ProvingId) -> Proved:
        """Return one certificate, with the record of the journal that bears it out."""
        return self._line.get(f"/certificates/{quote(wanted, safe='')}", Told[Proved])

    def explain_policy(self, number: DriveNumber) -> Explained:
        """Work out which line decided each value for a drive."""
        return self._line.get(_of(number, "/policy"), Told[Explained])

    def pull_list(self) -> PullList:
        """Return what is to be brought out and put away."""
        return self._line.get("/pull-list", Told[PullList])

    def status(self) -> Status:
        """Return what the daemon does now."""
        return self._line.get("/status", Told[Status])

    def follow(self) -> Iterator[Heard]:
        """Yield what happens from now on, until the daemon ends or nobody listens."""
        with self._line.streaming("GET", "/messages") as lines:
            for text in lines:
                line = read(STREAM_LINES, text)
                if isinstance(line, Broken):
                    raise error_told(line.error)
                if isinstance(line, Heard):
                    yield line

    # Acting

    def accept(self, number: DriveNumber, findings: Sequence[FindingId]) -> Accepted:
        """Make what was found the recorded truth."""
        wish = AcceptWish(findings=tuple(findings))
        return self._line.ask("POST", _of(number, "/accept"), Told[Accepted], wish)

    def withdraw(self, number: DriveNumber, reason: str) -> Withdrawn:
        """Take a drive out of care."""
        wish = _wish(ReasonWish, reason=reason)
        return self._line.ask("POST", _of(number, "/withdraw"), Told[Withdrawn], wish)

    def correct(self, number: DriveNumber, wanted: Correction) -> DriveCard:
        """Correct a card."""
        wish = _wish(CorrectWish, **_facts(CorrectWish, wanted))
        return self._line.ask("PATCH", _of(number), Told[DriveCard], wish)

    def lift_hold(self, number: DriveNumber, reason: str) -> DriveCard:
        """Lift the hold of a drive."""
        wish = _wish(ReasonWish, reason=reason)
        return self._line.ask("POST", _of(number, "/lift-hold"), Told[DriveCard], wish)

    def attest_clock(self) -> Entry:
        """Write down that a person says that the clock is right (I4)."""
        return self._line.ask("POST", "/journal/attest-clock", Told[Entry])

    def returned(self, number: DriveNumber) -> Slip:
        """Write down that a drive lies in its place again."""
        return self._line.ask("POST", _of(number, "/return"), Told[Slip])

    def pause(self, until: datetime | None) -> Status:
        """Let no pass run until then, or until somebody says otherwise."""
        return self._line.ask("POST", "/pause", Told[Status], PauseWish(until=until))

    def resume(self) -> Status:
        """Let passes run again."""
        return self._line.ask("POST", "/resume", Told[Status])

    def stop(self, number: DriveNumber) -> Status:
        """Ask the visit of a drive to end at its next checkpoint."""
        return self._line.ask("POST", _of(number, "/stop"), Told[Status])

    def stop_proving(self, on: str) -> Status:
        """Ask a proving to end at its next checkpoint."""
        return self._line.ask("POST", "/provings/stop", Told[Status], _wish(SeatWish, on=on))

    def run_pass(self, asked: PassAsked, attendant: Attendant) -> PassReport:
        """Let the daemon run a pass, and wait for its end."""
        wish = _wish(PassWish, kind=asked.kind, on=asked.on, is_closing=asked.is_closing)
        visit = _Visit(_of(asked.drive, "/pass"), wish, asked.drive)
        return _report(self._visit(visit, attendant))

    def read_health(self, number: DriveNumber, on: str | None, attendant: Attendant) -> HealthView:
        """Let the daemon ask a drive about its health, and wait for the answer."""
        visit = _Visit(_of(number, "/health"), _wish(ReadingWish, on=on), number)
        _refuse_failed(self._visit(visit, attendant))
        return self.health_of(number)

    def prove(self, on: str, wish: ProvingWish, attendant: Attendant) -> Certificate:
        """Let the daemon prove a drive, and wait for the end of that."""
        asked = _wish(ProvingWanted, on=on, **asdict(wish))
        ended = self._visit(_Visit("/provings", asked, on), attendant)
        _refuse_failed(ended)
        if ended.certificate is None:
            raise InvariantBrokenError(f"the proving at {on} ended without a certificate")
        return ended.certificate

    def take_in(self, wanted: Accession, attendant: Attendant) -> TakenIn:
        """Let the daemon take a drive into care, and wait for the end of that."""
        was_known = self._is_known(wanted.number)
        facts = _facts(AccessionWish, wanted) | {"on": wanted.path}
        wish = _wish(AccessionWish, **facts)
        report = _report(self._visit(_Visit("/accessions", wish, wanted.number), attendant))
        return TakenIn(self.look_at(wanted.number).card, was_known, report)

    # The way there

    def _is_known(self, number: DriveNumber) -> bool:
        """Say whether an accession of this number was begun before."""
        try:
            self.look_at(number)
        except UnknownDriveError:
            return False
        return True

    def _visit(self, visit: _Visit, attendant: Attendant) -> VisitEnded:
        """Begin a visit and hear it to its end."""
        is_asked_to_stop = False
        with self._line.streaming("POST", visit.path, visit.wish) as lines:
            for text in lines:
                line = read(STREAM_LINES, text)
                if isinstance(line, Broken):
                    raise error_told(line.error)
                if isinstance(line, Heard):
                    ended = _attend(line, attendant)
                    if ended is not None:
                        return ended
                if attendant.wants_stop() and not is_asked_to_stop:
                    is_asked_to_stop = True
                    self._stop_quietly(visit, attendant)
        raise DaemonUnreachableError(
            f"{self._line.path}: the daemon is gone; {visit.of} is checkpointed, and the work on "
            "it goes on when the daemon runs again"
        )

    def _stop_quietly(self, visit: _Visit, attendant: Attendant) -> None:
        """Ask for the stop; a pass that ended meanwhile cannot be stopped, and tells its end."""
        try:
            if isinstance(visit.wish, ProvingWanted):
                self.stop_proving(visit.of)
            else:
                self.stop(DriveNumber(visit.of))
        except UsageError:
            return
        except RefreshdError as err:
            attendant.said(f"The daemon does not stop the pass: {err}")


def _of(number: DriveNumber, what: str = "") -> str:
    """Return the path of a drive; what is no number stays one word, and is refused as one."""
    return f"/drives/{quote(number, safe='')}{what}"


def _attend(line: Heard, attendant: Attendant) -> VisitEnded | None:
    """Let the attendant hear; return the end of the visit, when it has come."""
    match line.message:
        case Moved() as moved:
            attendant.moved(moved.done_bytes, moved.of_bytes, moved.doing)
        case Said() as said:
            attendant.said(said.sentence)
        case VisitEnded() as ended:
            return ended
        case WorkerEnded() as ended if ended.exit_code != 0:
            last = f": {ended.last_words}" if ended.last_words else ""
            raise DriveError(
                f"the worker at {line.node} ended before its pass did (exit code "
                f"{ended.exit_code}){last}; the pass goes on from its last checkpoint"
            )
        case _:
            pass
    return None


def _refuse_failed(ended: VisitEnded) -> None:
    """Raise why a visit that has no report did not come to its end."""
    if ended.error is not None:
        raise error_told(ended.error)


def _report(ended: VisitEnded) -> PassReport:
    if ended.report is not None:
        return arrived_report(ended.report)
    if ended.error is not None:
        raise error_told(ended.error)
    raise InvariantBrokenError(f"the visit of {ended.drive} ended without a report or an error")


def _wish(model: Callable[..., T], /, **facts: object) -> T:
    """Form a question; what is too long for one is refused here as it would be there."""
    try:
        return model(**facts)
    except ValidationError as err:
        problem = err.errors()[0]
        name = ".".join(str(one) for one in problem["loc"])
        raise UsageError(f"{name}: {problem['msg']}") from err


def _facts(kind: type[BaseModel], record: object) -> dict[str, object]:
    names = kind.model_fields.keys()
    return {name: getattr(record, name) for name in names if hasattr(record, name)}


def _given(**query: date | str | int | bool | None) -> Query:
    """Return what was given, as it stands in a query."""
    return {
        name: value.isoformat() if isinstance(value, date) else value
        for name, value in query.items()
        if value is not None
    }
