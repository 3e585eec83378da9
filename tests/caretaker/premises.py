"""A caretaker's premises: bays and a notice board that write down what was asked of them.

What a worker would record, a test records here in its place, in the same events.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from refreshd.cards import Carrier, Evidence, Presence, Slip, SlipState, Stay
from refreshd.caretaker import Caretaker, Doing, DriveHere, Surroundings
from refreshd.errors import PassStoppedError, RefreshdError
from refreshd.events import (
    ChunksProved,
    DigestsRecorded,
    DriveAccessioned,
    DriveLeft,
    Event,
    FindingOpened,
    PassBegun,
    PassEnded,
    PassInterrupted,
    PassResumed,
    RewriteRun,
    SlipIssued,
)
from refreshd.messages import (
    AnyMessage,
    Identified,
    IdentityUnclear,
    Moved,
    Released,
    ReleaseFailed,
    VisitEnded,
    WorkerEnded,
    told,
)
from refreshd.policy import Policy
from refreshd.ports import Notice, Seat, Urgency, VisitOrder
from refreshd.quantities import (
    MIB,
    DriveNumber,
    Errand,
    FindingId,
    FindingKind,
    MediumKind,
    Outcome,
    PassId,
    PassKind,
)
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.disk import PowerLine
from refreshd.simulated.ledger import SimulatedLedger
from tests.builders import some_digests

CHUNKS = 4
CHUNK_BYTES = 4 * MIB
SIZE_BYTES = CHUNKS * CHUNK_BYTES
BOOT = "boot-a"
K07, K08, K09 = DriveNumber("K07"), DriveNumber("K08"), DriveNumber("K09")
SDB, SDC, SDD = Seat("/dev/sdb", 11), Seat("/dev/sdc", 12), Seat("/dev/sdd", 13)
THREE_YEARS_S = 1096 * 86400.0
START = datetime(2031, 3, 14, 9, 0, tzinfo=UTC)


def evidence_of(number: str, *, signatures: tuple[str, ...] = ()) -> Evidence:
    """Return what an invented disk says about itself."""
    return Evidence(
        Carrier.BLOCK,
        SIZE_BYTES,
        512,
        4096,
        model="Harbour 4",
        serial=f"QX-{number}",
        signatures=signatures or (f"ext4:{number}",),
        has_own_names=True,
    )


@dataclass
class FakeBays:
    """`ports.Bays` that starts nothing: the test says what the workers say."""

    asked: list[tuple[str, Seat]] = field(default_factory=list)
    orders: dict[Seat, VisitOrder] = field(default_factory=dict)

    def identify(self, seat: Seat) -> None:
        """Note it."""
        self.asked.append(("identify", seat))

    def visit(self, seat: Seat, order: VisitOrder) -> None:
        """Note it."""
        self.asked.append(("visit", seat))
        self.orders[seat] = order

    def stop(self, seat: Seat) -> None:
        """Note it."""
        self.asked.append(("stop", seat))

    def rest(self, seat: Seat) -> None:
        """Note it."""
        self.asked.append(("rest", seat))

    def release(self, seat: Seat) -> None:
        """Note it."""
        self.asked.append(("release", seat))

    def count(self, act: str, seat: Seat | None = None) -> int:
        """Return how often something was asked, at one seat or at all."""
        return sum(1 for one, where in self.asked if one == act and seat in {None, where})


@dataclass
class FakeNotices:
    """`ports.NoticeBoard` that keeps what was posted."""

    posted: list[Notice] = field(default_factory=list)
    pages: list[tuple[Slip, ...]] = field(default_factory=list)

    def post(self, notice: Notice) -> None:
        """Keep it."""
        self.posted.append(notice)

    def show_slips(self, slips: Sequence[Slip]) -> None:
        """Keep it."""
        self.pages.append(tuple(slips))

    def with_words(self, words: str, urgency: Urgency | None = None) -> list[Notice]:
        """Return the notices that say something."""
        return [
            one
            for one in self.posted
            if words in f"{one.subject}\n{one.body}" and urgency in {None, one.urgency}
        ]


class Premises:
    """A shelf, its record, and a caretaker. By default everything was just done, on `START`.

    Drives that stay attached are asked how they are only where a test says how often: one that
    is here and idle is not to be asked beside what the test is about.
    """

    def __init__(
        self, policy: Mapping[str, object] | None = None, clock: SimulatedClock | None = None
    ) -> None:
        self.clock = clock or SimulatedClock(START)
        self.ledger = SimulatedLedger(self.clock, PowerLine())
        self.policy = Policy.model_validate(not_asked_beside(policy))
        self.is_on_battery = False
        self.battery_every_s: float | None = None  # so that no other bell is hidden by this one
        self.offset = timedelta(0)
        self.evidence: dict[DriveNumber, Evidence] = {}
        self.open()

    def open(self) -> None:
        """Make a caretaker, with bays and a board of its own: as after a restart."""
        self.bays = FakeBays()
        self.notices = FakeNotices()
        self.caretaker = Caretaker(
            Surroundings(
                ledger=self.ledger,
                clock=self.clock,
                bays=self.bays,
                notices=self.notices,
                policy=lambda: self.policy,
                local=lambda moment: moment + self.offset,
                is_on_battery=lambda: self.is_on_battery,
                battery_every_s=self.battery_every_s,
            )
        )

    def set_policy(self, policy: Mapping[str, object]) -> None:
        """Put another policy in force, without telling the caretaker."""
        self.policy = Policy.model_validate(not_asked_beside(policy))

    # --- The record

    def record(self, *events: Event) -> None:
        """Record what somebody else does."""
        for event in events:
            self.ledger.record(event)

    def take_into_care(
        self,
        number: DriveNumber = K07,
        *,
        holding: str | None = None,
        signatures: tuple[str, ...] = (),
        is_whole: bool = True,
        written_on: date | None = None,
    ) -> None:
        """Take a drive into care: completely, or up to the middle of its first reading."""
        evidence = evidence_of(number, signatures=signatures)
        self.evidence[number] = evidence
        self.record(
            DriveAccessioned(
                drive=number,
                shelfmark=f"R2-B04-{number}",
                title=f"Glass plates, box {number}",
                medium=MediumKind.HARD_DISK,
                evidence=evidence,
                chunk_bytes=CHUNK_BYTES,
                claimed_written_on=written_on,
                holding=holding,
            )
        )
        self.begin_pass(number, PassKind.ACCESSION)
        if is_whole:
            digests = some_digests(CHUNKS)
            pass_id = self.pass_id(number)
            self.record(
                DigestsRecorded(drive=number, pass_id=pass_id, first_chunk=0, digests=digests)
            )
            self.end_pass(number, PassKind.ACCESSION)

    def pass_id(self, number: DriveNumber) -> PassId:
        """Return the id of a drive's last pass."""
        return PassId(f"{number}/{self.ledger.drive(number).passes}")

    def begin_pass(
        self, number: DriveNumber, kind: PassKind, presence: Presence | None = None
    ) -> None:
        """Record that a pass begins, or goes on."""
        there = presence or Presence(BOOT, 1)
        state = self.ledger.unfinished_pass(number, kind)
        if state is not None:
            chunk = state.next_chunk
            self.record(
                PassResumed(drive=number, pass_id=state.id, presence=there, next_chunk=chunk)
            )
            return
        pass_id = PassId(f"{number}/{self.ledger.drive(number).passes + 1}")
        self.record(
            PassBegun(
                drive=number, pass_id=pass_id, pass_kind=kind, presence=there, segment_chunks=16
            )
        )

    def prove(self, number: DriveNumber, chunks: int) -> None:
        """Record that the first chunks were rewritten today."""
        run = RewriteRun(first_chunk=0, count=chunks, written_on=self.clock.now().date())
        state = self.ledger.unfinished_pass(number, PassKind.REFRESH)
        assert state is not None
        self.record(
            ChunksProved(
                drive=number,
                pass_id=state.id,
                next_chunk=chunks,
                rewritten=(run,),
                bytes_rewritten=chunks * CHUNK_BYTES,
            )
        )

    def end_pass(self, number: DriveNumber, kind: PassKind) -> None:
        """Record that the unfinished pass reached its end today."""
        if kind is PassKind.REFRESH:
            self.prove(number, CHUNKS)
        state = self.ledger.unfinished_pass(number, kind)
        assert state is not None
        self.record(
            PassEnded(
                drive=number,
                pass_id=state.id,
                pass_kind=kind,
                reached_end=True,
                checked_on=state.begun_at.date(),
                findings=0,
            )
        )

    def refreshed(self, number: DriveNumber) -> None:
        """Record a whole refresh, done now somewhere else."""
        self.begin_pass(number, PassKind.REFRESH)
        self.end_pass(number, PassKind.REFRESH)

    def issue(self, number: DriveNumber = K07, errand: Errand = Errand.REFRESH) -> None:
        """Record a slip that is due now."""
        today = self.clock.now().date()
        self.record(
            SlipIssued(
                drive=number,
                slip=self.ledger.next_slip_number(),
                errand=errand,
                reason="Its oldest chunk was last written long ago",
                due_on=today,
                grace_ends_on=today + timedelta(days=90),
                expected_s=3600,
            )
        )

    def slip(self, number: DriveNumber = K07) -> Slip:
        """Return a drive's open slip."""
        (slip,) = self.ledger.slips(number)
        return slip

    def state(self, number: DriveNumber = K07) -> SlipState | None:
        """Return the state of a drive's open slip; None: it has none."""
        return next((slip.state for slip in self.ledger.slips(number)), None)

    def stay(self, number: DriveNumber = K07) -> Stay | None:
        """Return a drive's stay in the record."""
        return next((stay for stay in self.ledger.stays() if stay.drive == number), None)

    def kinds(self) -> list[str]:
        """Return the kinds of all records."""
        return [entry.event.kind for entry in self.ledger.entries]

    def last_left(self) -> DriveLeft:
        """Return the last record of a drive that left."""
        events = (entry.event for entry in reversed(self.ledger.entries))
        return next(event for event in events if isinstance(event, DriveLeft))

    # --- What happens

    def wait(self, seconds: float) -> None:
        """Let time pass, and ring the bell at its end."""
        self.clock.sleep(seconds)
        self.caretaker.bell()

    def sleep_until_bell(self) -> datetime:
        """Sleep as long as the caretaker allows, ring, and return when that was."""
        at = self.caretaker.next_bell()
        assert at is not None
        self.clock.sleep(max(0.0, (at - self.clock.now()).total_seconds()))
        self.caretaker.bell()
        return self.clock.now()

    def plug_in(self, number: DriveNumber = K07, seat: Seat = SDB) -> None:
        """Plug a drive in and let it be identified."""
        self.caretaker.arrived(seat)
        self.identify(number, seat)

    def identify(self, number: DriveNumber | None, seat: Seat = SDB, name: str = "") -> None:
        """Let the worker say which drive it is."""
        evidence = evidence_of(name) if number is None else self.evidence[number]
        presence = Presence(BOOT, seat.disk_sequence)
        self.say(seat, Identified(drive=number, evidence=evidence, presence=presence))
        self.end_worker(seat)

    def not_identified(self, error: RefreshdError, seat: Seat = SDB) -> None:
        """Let the worker say that it cannot tell."""
        self.say(seat, IdentityUnclear(error=told(error)))
        self.end_worker(seat, error.exit_code)

    def say(self, seat: Seat, message: AnyMessage) -> None:
        """Let a worker say something."""
        self.caretaker.heard(seat, message)

    def end_worker(self, seat: Seat = SDB, exit_code: int = 0, *, is_left: bool = False) -> None:
        """Let a worker end."""
        self.say(seat, WorkerEnded(exit_code=exit_code, is_left=is_left))

    def move(self, done_bytes: int, seat: Seat = SDB, doing: str = "reading") -> None:
        """Let the worker say how far it is."""
        self.say(seat, Moved(done_bytes=done_bytes, of_bytes=SIZE_BYTES, doing=doing))

    def begin_visit(self, seat: Seat = SDB) -> VisitOrder:
        """Record what the worker of a visit does first, and return its order."""
        order = self.bays.orders[seat]
        self.begin_pass(order.drive, order.kind, Presence(BOOT, seat.disk_sequence))
        return order

    def finish_visit(
        self,
        seat: Seat = SDB,
        findings: int = 0,
        kind: FindingKind = FindingKind.UNREADABLE,
    ) -> None:
        """Let a visit run to its end."""
        order = self.begin_visit(seat)
        for chunk in range(findings):
            self.record(
                FindingOpened(
                    drive=order.drive,
                    pass_id=self.pass_id(order.drive),
                    finding_id=FindingId(f"F{chunk + 1}"),
                    finding_kind=kind,
                    start_byte=chunk * CHUNK_BYTES,
                    length_bytes=CHUNK_BYTES,
                )
            )
        self.end_pass(order.drive, order.kind)
        self.end_visit(None, seat, findings=findings)

    def interrupt_visit(
        self, seat: Seat = SDB, error: RefreshdError | None = None, *, chunks: int = 0
    ) -> None:
        """Let a visit that was begun stop short, with what was done so far in the record."""
        order = self.begin_visit(seat)
        if chunks:
            self.prove(order.drive, chunks)
        error = error or PassStoppedError("asked to stop")
        pass_id = self.pass_id(order.drive)
        self.record(PassInterrupted(drive=order.drive, pass_id=pass_id, reason=str(error)))
        self.end_visit(error, seat)

    def end_visit(self, error: RefreshdError | None, seat: Seat = SDB, findings: int = 0) -> None:
        """Let the worker say how a visit ended, and end."""
        order = self.bays.orders[seat]
        self.say(
            seat,
            VisitEnded(
                drive=order.drive,
                pass_kind=order.kind,
                outcome=Outcome.SUCCESS if error is None else Outcome.FAIL,
                is_complete=error is None,
                findings=findings,
                error=None if error is None else told(error),
            ),
        )
        self.end_worker(seat, 0 if error is None else error.exit_code)

    def release(self, seat: Seat = SDB) -> None:
        """Let a release succeed."""
        self.say(seat, Released(how="flushed and spun down"))
        self.end_worker(seat)

    def fail_release(self, error: RefreshdError, seat: Seat = SDB) -> None:
        """Let a release fail."""
        self.say(seat, ReleaseFailed(error=told(error)))
        self.end_worker(seat, error.exit_code)

    def here(self, seat: Seat = SDB) -> DriveHere:
        """Return what the status says of a seat."""
        return next(one for one in self.caretaker.status().here if one.seat == seat)

    def doing(self, seat: Seat = SDB) -> Doing:
        """Return what becomes of the disk at a seat."""
        return self.here(seat).doing


def a_due_drive(policy: Mapping[str, object] | None = None) -> Premises:
    """Return premises with K07 asked for, and a caretaker that was started with empty bays."""
    return due_drives(K07, policy=policy)


def due_drives(
    *numbers: DriveNumber, holding: str | None = None, policy: Mapping[str, object] | None = None
) -> Premises:
    """Return premises whose drives fall due for a refresh today, with a started caretaker."""
    there = Premises(every_three_years(policy))
    for number in numbers:
        there.take_into_care(number, holding=holding)
    there.clock.sleep(THREE_YEARS_S)
    there.caretaker.started([])
    return there


def every_three_years(policy: Mapping[str, object] | None = None) -> dict[str, object]:
    """Return a policy in which refresh and fixity pass fall due together."""
    return {"defaults": {"fixity_interval": "3 years"}, **(policy or {})}


def not_asked_beside(policy: Mapping[str, object] | None) -> dict[str, object]:
    """Return a policy in which drives are asked how they are only where it says so itself."""
    found = dict(policy or {})
    defaults = found.get("defaults", {})
    assert isinstance(defaults, dict)
    return found | {"defaults": {"health_while_attached": "none", **defaults}}
