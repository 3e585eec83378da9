"""Answers from the state directory itself, in the caller's own process and under its locks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from refreshd.cards import DriveCard, Slip
from refreshd.configfile import LoadedPolicy
from refreshd.errors import DaemonUnreachableError, require
from refreshd.events import Entry
from refreshd.passes.bench import PassReport
from refreshd.ports import Attendant, ProvingWish
from refreshd.proving_cards import Certificate
from refreshd.quantities import DriveNumber, FindingId, PassKind, ProvingId
from refreshd.reception.protocol import PassAsked
from refreshd.verbs import (
    care,
    deciding,
    health,
    health_reading,
    looking,
    passes,
    policies,
    proving,
    records,
    slips,
)
from refreshd.verbs.care import Accession, Correction, TakenIn, Withdrawn
from refreshd.verbs.deciding import Accepted
from refreshd.verbs.health import HealthList, HealthView
from refreshd.verbs.looking import DriveView, FindingView, ShelfList
from refreshd.verbs.policies import Explained
from refreshd.verbs.proving import Proved, ProvingList
from refreshd.verbs.records import JournalWish
from refreshd.verbs.slips import PullList
from refreshd.wiring.shelf import JournalVerified
from refreshd.wiring.station import Station

if TYPE_CHECKING:  # A verb that works alone loads neither the caretaker nor what travels.
    from refreshd.caretaker.status import Status
    from refreshd.reception.wire import Heard


def policy_sentences(loaded: LoadedPolicy, place: Path) -> Iterator[str]:
    """Yield what is doubtful about a policy, or that there is no file at `place`."""
    if loaded.is_built_in:
        yield f"No policy file ({place}): the built-in defaults are in force."
    for warning in loaded.warning_sentences():
        yield f"Warning: {warning}"


@dataclass(frozen=True, slots=True)
class LocalReception:
    """
    `reception.protocol.Reception` on a station.

    Args:
        bare: The station, with the built-in policy: some questions need no policy, and are
            answered whatever state its file is in.
        said_by: Who asks, for the journal.
        load_policy: Reads the policy and says what is doubtful about it.
        no_daemon: Why no daemon answers, for what only a daemon can do.

    """

    bare: Station
    said_by: str
    load_policy: Callable[[], LoadedPolicy]
    no_daemon: str = "no daemon runs here"

    def _station(self) -> Station:
        return replace(self.bare, policy=self.load_policy())

    # Looking

    def shelf_list(self, as_of: date | None) -> ShelfList:
        """List the drives in care by due date."""
        return looking.shelf_list(self._station(), as_of)

    def look_at(self, number: DriveNumber) -> DriveView:
        """Return what is known of a drive."""
        return looking.look_at(self._station(), number)

    def open_findings(self, number: DriveNumber | None) -> tuple[FindingView, ...]:
        """Return the open findings."""
        return looking.open_findings(self.bare, number)

    def show_journal(self, wish: JournalWish) -> Iterator[Entry]:
        """Yield the wanted entries."""
        return records.show_journal(self.bare, wish)

    def check_journal(self) -> JournalVerified:
        """Verify the whole journal."""
        return records.check_journal(self.bare)

    def health_list(self) -> HealthList:
        """Return the drives in care, the worst by their health first."""
        return health.health_list(self.bare)

    def health_of(self, number: DriveNumber) -> HealthView:
        """Return the health readings of a drive."""
        return health.health_of(self.bare, number)

    def provings(self) -> ProvingList:
        """Return the certificates of all drives, and the provings that have not ended."""
        return proving.provings(self.bare)

    def certificates(self, number: DriveNumber | None) -> tuple[Certificate, ...]:
        """Return the certificates of drives that were proved."""
        return health.certificates(self.bare, number)

    def proved(self, wanted: ProvingId) -> Proved:
        """Return one certificate, with the record of the journal that bears it out."""
        return proving.proved(self.bare, wanted)

    def explain_policy(self, number: DriveNumber) -> Explained:
        """Work out which line decided each value for a drive."""
        return policies.explain_policy(self._station(), number)

    def pull_list(self) -> PullList:
        """Return what is to be brought out and put away."""
        return slips.pull_list(self._station())

    def status(self) -> Status:
        """Say that no daemon runs."""
        self._needs_daemon("only a daemon can say what it does now")

    def follow(self) -> Iterator[Heard]:
        """Say that no daemon runs."""
        self._needs_daemon("only a daemon can say what happens")

    # Acting

    def accept(self, number: DriveNumber, findings: Sequence[FindingId]) -> Accepted:
        """Make what was found the recorded truth."""
        return deciding.accept(self._station(), number, findings, self.said_by)

    def withdraw(self, number: DriveNumber, reason: str) -> Withdrawn:
        """Take a drive out of care."""
        return care.withdraw(self._station(), number, reason)

    def correct(self, number: DriveNumber, wanted: Correction) -> DriveCard:
        """Correct a card."""
        return care.correct(self._station(), number, wanted)

    def lift_hold(self, number: DriveNumber, reason: str) -> DriveCard:
        """Lift the hold of a drive."""
        return care.lift_hold(self._station(), number, reason)

    def attest_clock(self) -> Entry:
        """Write down that a person says that the clock is right (I4)."""
        return deciding.attest_clock(self._station(), self.said_by)

    def returned(self, number: DriveNumber) -> Slip:
        """Write down that a drive lies in its place again."""
        return slips.returned(self._station(), number, self.said_by)

    def pause(self, until: datetime | None) -> Status:  # noqa: ARG002 - of the protocol
        """Say that no daemon runs."""
        self._needs_daemon("there is nothing to pause")

    def resume(self) -> Status:
        """Say that no daemon runs."""
        self._needs_daemon("there is nothing to resume")

    def stop(self, number: DriveNumber) -> Status:  # noqa: ARG002 - of the protocol
        """Say that no daemon runs."""
        self._needs_daemon("a pass that was begun by hand is stopped by Ctrl-C where it was begun")

    def stop_proving(self, on: str) -> Status:  # noqa: ARG002 - of the protocol
        """Say that no daemon runs."""
        self._needs_daemon("a proving that was begun here is stopped by Ctrl-C where it was begun")

    def run_pass(self, asked: PassAsked, attendant: Attendant) -> PassReport:
        """Run a pass in this process."""
        station = replace(self._station(), attendant=attendant)
        if asked.kind is PassKind.FIXITY:
            return passes.check(station, asked.drive, asked.on)
        require(asked.kind is PassKind.REFRESH, f"a pass that can be asked for, not {asked.kind}")
        return passes.refresh(station, asked.drive, asked.on, is_closing=asked.is_closing)

    def read_health(self, number: DriveNumber, on: str | None, attendant: Attendant) -> HealthView:
        """Ask a drive about its health in this process."""
        station = replace(self._station(), attendant=attendant)
        health_reading.read_health(station, number, on)
        return health.health_of(station, number)

    def prove(self, on: str, wish: ProvingWish, attendant: Attendant) -> Certificate:
        """Prove a drive in this process."""
        return proving.prove(replace(self._station(), attendant=attendant), on, wish)

    def take_in(self, wanted: Accession, attendant: Attendant) -> TakenIn:
        """Take a drive into care in this process."""
        return care.take_in(replace(self._station(), attendant=attendant), wanted)

    def _needs_daemon(self, why: str) -> NoReturn:
        raise DaemonUnreachableError(f"{self.no_daemon}; {why}")
