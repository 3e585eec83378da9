"""Everything that can be asked of a shelf, on one screen.

Rules:

1. Both receptions give equal records for equal questions about the same state directory.
2. What is said beside an answer (an old catalogue, a doubtful policy) goes to the attendant.
3. Errors are those of `refreshd.errors`, of the same class and exit code on both sides.
4. Who asks is never an argument: the local reception knows its process, the daemon its peer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Protocol

from refreshd.cards import DriveCard, Slip
from refreshd.events import Entry
from refreshd.passes.bench import PassReport
from refreshd.ports import Attendant, ProvingWish
from refreshd.proving_cards import Certificate
from refreshd.quantities import DriveNumber, FindingId, PassKind, ProvingId
from refreshd.verbs.care import Accession, Correction, TakenIn, Withdrawn
from refreshd.verbs.deciding import Accepted
from refreshd.verbs.health import HealthList, HealthView
from refreshd.verbs.looking import DriveView, FindingView, ShelfList
from refreshd.verbs.policies import Explained
from refreshd.verbs.proving import Proved, ProvingList
from refreshd.verbs.records import JournalWish
from refreshd.verbs.slips import PullList
from refreshd.wiring.shelf import JournalVerified

if TYPE_CHECKING:  # A verb that works alone loads neither the caretaker nor what travels.
    from refreshd.caretaker.status import Status
    from refreshd.reception.wire import Heard


@dataclass(frozen=True, slots=True)
class PassAsked:
    """A pass that somebody asks for now. `on`: its place; None: wherever it is plugged in."""

    drive: DriveNumber
    kind: PassKind
    on: str | None = None
    is_closing: bool = False


class Reading(Protocol):
    """What can be looked at. Nothing is written."""

    def shelf_list(self, as_of: date | None) -> ShelfList:
        """List the drives in care by due date, as seen on one day (None: today)."""

    def look_at(self, number: DriveNumber) -> DriveView:
        """Return what is known of a drive, also of one that was withdrawn."""

    def open_findings(self, number: DriveNumber | None) -> tuple[FindingView, ...]:
        """Return the open findings of one drive or of all in care, by drive and place."""

    def show_journal(self, wish: JournalWish) -> Iterator[Entry]:
        """Yield the wanted entries, oldest first, each one verified."""

    def check_journal(self) -> JournalVerified:
        """Verify the whole journal."""

    def health_list(self) -> HealthList:
        """Return the drives in care, the worst by their health first."""

    def health_of(self, number: DriveNumber) -> HealthView:
        """Return the series of health readings of a drive, also of one that was withdrawn."""

    def provings(self) -> ProvingList:
        """Return the certificates of all drives, and the provings that have not ended."""

    def certificates(self, number: DriveNumber | None) -> tuple[Certificate, ...]:
        """Return the certificates of all drives that were proved, or of one in care, by age."""

    def proved(self, wanted: ProvingId) -> Proved:
        """Return one certificate, with the record of the journal that bears it out."""

    def explain_policy(self, number: DriveNumber) -> Explained:
        """Work out which line decided each value for a drive."""

    def pull_list(self) -> PullList:
        """Return what is to be brought out and put away, and what comes next."""

    def status(self) -> Status:
        """Return what the daemon does now, or raise DaemonUnreachableError."""

    def follow(self) -> Iterator[Heard]:
        """Yield what happens from now on, until the daemon ends or nobody listens."""


class Acting(Protocol):
    """What changes the record, or moves a drive."""

    def accept(self, number: DriveNumber, findings: Sequence[FindingId]) -> Accepted:
        """Make what was found the recorded truth, because the owner says so."""

    def withdraw(self, number: DriveNumber, reason: str) -> Withdrawn:
        """Take a drive out of care."""

    def correct(self, number: DriveNumber, wanted: Correction) -> DriveCard:
        """Correct a card."""

    def lift_hold(self, number: DriveNumber, reason: str) -> DriveCard:
        """Lift the hold of a drive."""

    def attest_clock(self) -> Entry:
        """Write down that a person says that the clock is right (I4)."""

    def returned(self, number: DriveNumber) -> Slip:
        """Write down that a drive lies in its place again; return its slip."""

    def pause(self, until: datetime | None) -> Status:
        """Let no pass run until then, or until somebody says otherwise."""

    def resume(self) -> Status:
        """Let passes run again."""

    def stop(self, number: DriveNumber) -> Status:
        """Ask the visit of a drive to end at its next checkpoint."""

    def stop_proving(self, on: str) -> Status:
        """Ask the proving of the disk at a place to end at its next checkpoint."""

    def run_pass(self, asked: PassAsked, attendant: Attendant) -> PassReport:
        """Run a pass to its end; the attendant hears how it goes and may stop it."""

    def read_health(self, number: DriveNumber, on: str | None, attendant: Attendant) -> HealthView:
        """Ask a drive that is plugged in about its health now, and write down what it says."""

    def prove(self, on: str, wish: ProvingWish, attendant: Attendant) -> Certificate:
        """Prove a drive before its accession, or go on with a proving that was interrupted."""

    def take_in(self, wanted: Accession, attendant: Attendant) -> TakenIn:
        """Take a drive into care, or take up an accession that was interrupted."""


class Reception(Reading, Acting, Protocol):
    """The counter: everything that the command line asks."""
