"""What a worker writes down of a drive's health and of a proving, for tests of the caretaker."""

from __future__ import annotations

from refreshd.cards import Evidence, Presence
from refreshd.events import DriveHeld, DriveProved, HealthRead, ProvingBegun, ProvingCheckpoint
from refreshd.health_cards import (
    EvidenceLine,
    HealthReading,
    Measure,
    Moment,
    OwnWord,
    Part,
    Route,
    Verdict,
)
from refreshd.messages import VisitEnded
from refreshd.ports import Seat
from refreshd.proving_cards import Certificate, ProvingPlan, ProvingStep, StepResult
from refreshd.quantities import DriveNumber, Outcome, PassKind, ProvingId
from tests.caretaker.premises import K07, SDB, Premises

MOVED = "80 sectors moved to spares since March 2031."
PLAN = ProvingPlan(
    is_writing=True, is_erasing=False, self_tests=(), seed="5f" * 16, chunk_bytes=4 << 20
)


def read(
    there: Premises, verdict: Verdict = Verdict.FIT, number: DriveNumber = K07, celsius: int = 34
) -> None:
    """Record that a drive was asked how it is; one not to be written to is put on hold."""
    if verdict is Verdict.DO_NOT_WRITE and there.ledger.drive(number).hold is None:
        there.record(DriveHeld(drive=number, reason=MOVED))
    there.record(
        HealthRead(
            drive=number,
            outcome=verdict.outcome,
            moment=Moment.BETWEEN,
            reading=HealthReading(Route.ATA, OwnWord.PASSING, {Measure.CELSIUS: celsius}),
            verdict=verdict,
            evidence=(EvidenceLine(Part.COATING, verdict, MOVED),),
        )
    )


def answer_reading(
    there: Premises, verdict: Verdict = Verdict.FIT, seat: Seat = SDB, number: DriveNumber = K07
) -> None:
    """Let the worker that reads a drive's health do so, and end."""
    read(there, verdict, number)
    there.end_visit(None, seat)


def stay_asleep(there: Premises, seat: Seat = SDB, number: DriveNumber = K07) -> None:
    """Let that worker find that the disk stands still."""
    there.say(
        seat,
        VisitEnded(
            drive=number,
            pass_kind=PassKind.HEALTH,
            outcome=Outcome.SUCCESS,
            is_complete=True,
            findings=0,
            was_asleep=True,
        ),
    )
    there.end_worker(seat)


def begin_proving(
    there: Premises, evidence: Evidence, presence: Presence, plan: ProvingPlan = PLAN
) -> None:
    """Record that a proving began, and came as far as the writing."""
    there.record(
        ProvingBegun(proving_id=ProvingId("P1"), evidence=evidence, presence=presence, plan=plan),
        ProvingCheckpoint(
            proving_id=ProvingId("P1"), presence=presence, step=ProvingStep.WRITE, next_byte=4096
        ),
    )


def certificate(
    there: Premises, evidence: Evidence, outcome: Outcome = Outcome.SUCCESS
) -> Certificate:
    """Return what a proving of now found."""
    now = there.clock.now()
    step = StepResult(ProvingStep.READ, outcome, ("All of it came back as it was written.",))
    return Certificate(
        id=ProvingId("P1"),
        evidence=evidence,
        plan=PLAN,
        begun_at=now,
        ended_at=now,
        outcome=outcome,
        results=(step,),
        verdict=Verdict.FIT,
    )


def end_proving(
    there: Premises, evidence: Evidence, outcome: Outcome = Outcome.SUCCESS, seat: Seat = SDB
) -> None:
    """Record the end of a proving, and let its worker tell it."""
    found = certificate(there, evidence, outcome)
    there.record(DriveProved(proving_id=found.id, certificate=found, outcome=outcome))
    there.say(
        seat,
        VisitEnded(
            drive=None,
            pass_kind=PassKind.PROVING,
            outcome=outcome,
            is_complete=True,
            findings=0,
            certificate=found,
        ),
    )
    there.end_worker(seat)
