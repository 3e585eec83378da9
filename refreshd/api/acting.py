"""The paths for acting. None is a GET, so that the gate lets nobody through who may only look.

A place is named by the node of a disk that the caretaker saw arrive, and by nothing else: no path
is opened, followed or even looked at here. Whoever wants an image file or a folder worked on does
that in a process of his own, with his own rights.
"""

from __future__ import annotations

from datetime import UTC

from fastapi import APIRouter, Response

from refreshd.api.asking import FAILURES, Drive, LiveStream, TheCaller, TheOffice
from refreshd.api.office import Office, answer_of
from refreshd.api.watching import of_visit
from refreshd.cards import DriveCard, Slip
from refreshd.caretaker.status import Status
from refreshd.errors import InvariantBrokenError, RefusedError, UsageError
from refreshd.events import Entry
from refreshd.ports import NO_NUMBER, NewCard, ProvingWish, VisitOrder
from refreshd.quantities import FindingId, PassKind
from refreshd.reception.wire import (
    PREFIX,
    AcceptWish,
    AccessionWish,
    Beat,
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
from refreshd.verbs.care import Correction, Withdrawn, read_holding, read_number, read_text, shown
from refreshd.verbs.deciding import Accepted
from refreshd.verbs.slips import open_slip_of, slip_of

router = APIRouter(prefix=PREFIX, tags=["acting"], responses=FAILURES)


@router.post(
    "/drives/{number}/accept", summary="The new bytes are right", response_model=Told[Accepted]
)
async def accept(office: TheOffice, caller: TheCaller, number: Drive, wish: AcceptWish) -> Response:
    """Make what was found the recorded truth. All of the findings are accepted, or none."""
    drive = read_number(number)
    wanted = tuple(FindingId(one) for one in wish.findings)
    return await office.write(caller, Told[Accepted], lambda desk: desk.accept(drive, wanted))


@router.post("/drives/{number}/withdraw", summary="Out of care", response_model=Told[Withdrawn])
async def withdraw(
    office: TheOffice, caller: TheCaller, number: Drive, wish: ReasonWish
) -> Response:
    """Take a drive out of care. It is not touched, and its record stays."""
    drive = read_number(number)
    return await office.write(
        caller, Told[Withdrawn], lambda desk: desk.withdraw(drive, wish.reason)
    )


@router.patch("/drives/{number}", summary="Correct a card", response_model=Told[DriveCard])
async def correct(
    office: TheOffice, caller: TheCaller, number: Drive, wish: CorrectWish
) -> Response:
    """Correct a card, and write down that it was corrected."""
    drive = read_number(number)
    wanted = Correction(**dict(wish))
    return await office.write(caller, Told[DriveCard], lambda desk: desk.correct(drive, wanted))


@router.post("/drives/{number}/lift-hold", summary="Lift a hold", response_model=Told[DriveCard])
async def lift_hold(
    office: TheOffice, caller: TheCaller, number: Drive, wish: ReasonWish
) -> Response:
    """Lift the hold of a drive, with the reason for which it may be written to again."""
    drive = read_number(number)
    return await office.write(
        caller, Told[DriveCard], lambda desk: desk.lift_hold(drive, wish.reason)
    )


@router.post("/journal/attest-clock", summary="The clock is right", response_model=Told[Entry])
async def attest_clock(office: TheOffice, caller: TheCaller) -> Response:
    """Write down that a person looked at the clock and says that it is right."""
    return await office.write(caller, Told[Entry], lambda desk: desk.attest_clock())


@router.post(
    "/drives/{number}/return", summary="It lies in its place again", response_model=Told[Slip]
)
async def returned(office: TheOffice, caller: TheCaller, number: Drive) -> Response:
    """Close the slip that asks to put a drive away."""
    drive = read_number(number)
    station = office.station()
    slip = await office.in_thread(office.readers, lambda: open_slip_of(station, drive))
    office.caretaker.returned(drive, caller.name)
    if slip is None:
        raise InvariantBrokenError(f"{drive} was returned, but no slip was open for it")
    told = await office.in_thread(office.readers, lambda: slip_of(station, slip.number))
    return answer_of(Told[Slip], told)


@router.post("/pause", summary="Let no pass run", response_model=Told[Status])
async def pause(office: TheOffice, caller: TheCaller, wish: PauseWish) -> Response:
    """Stop passes at their next checkpoint and begin none, until then or until `resume`."""
    try:
        until = None if wish.until is None else wish.until.astimezone(UTC)
    except OverflowError as err:
        raise UsageError(f"a pause until {wish.until}: no calendar goes so far") from err
    office.caretaker.pause(caller.name, until)
    return answer_of(Told[Status], office.caretaker.status())


@router.post("/resume", summary="Let passes run again", response_model=Told[Status])
async def resume(office: TheOffice, caller: TheCaller) -> Response:
    """End a pause."""
    office.caretaker.resume(caller.name)
    return answer_of(Told[Status], office.caretaker.status())


@router.post(
    "/drives/{number}/stop", summary="End a visit at its checkpoint", response_model=Told[Status]
)
async def stop(office: TheOffice, caller: TheCaller, number: Drive) -> Response:
    """Ask the pass over a drive to finish its segment, write that down, and stop."""
    office.caretaker.stop(read_number(number), caller.name)
    return answer_of(Told[Status], office.caretaker.status())


@router.post(
    "/drives/{number}/pass",
    summary="Begin a pass",
    response_model=Heard | Beat | Broken,
    response_class=LiveStream,
)
async def begin_pass(
    office: TheOffice, caller: TheCaller, number: Drive, wish: PassWish
) -> LiveStream:
    """Begin a fixity or refresh pass and tell how it goes, one JSON object a line.

    The line whose message is of kind `visit-ended` is the last one. Whoever stops reading stops
    nothing: the pass goes on.
    """
    order = VisitOrder(
        drive=read_number(number),
        kind=wish.kind,
        is_closing=wish.is_closing,
        asked_by=caller.name,
        on=wish.on,
    )
    return _begun(office, order)


@router.post(
    "/drives/{number}/health",
    summary="Ask a drive how it is",
    response_model=Heard | Beat | Broken,
    response_class=LiveStream,
)
async def read_health(
    office: TheOffice, caller: TheCaller, number: Drive, wish: ReadingWish
) -> LiveStream:
    """Take a health reading of a drive that is plugged in, and tell when it is done."""
    order = VisitOrder(read_number(number), PassKind.HEALTH, asked_by=caller.name, on=wish.on)
    return _begun(office, order)


@router.post(
    "/provings",
    summary="Prove a new drive",
    response_model=Heard | Beat | Broken,
    response_class=LiveStream,
)
async def prove(office: TheOffice, caller: TheCaller, wish: ProvingWanted) -> LiveStream:
    """Begin the acceptance test of a disk that is in nobody's care, or go on with it.

    The last line is of kind `visit-ended` and holds the certificate. Whoever stops reading stops
    nothing: the proving goes on.
    """
    asked = wish.model_dump(exclude={"on"})
    if not wish.erase_drive.isprintable():
        raise UsageError("the name of the drive that may be written over has unprintable signs")
    order = VisitOrder(
        drive=NO_NUMBER,
        kind=PassKind.PROVING,
        asked_by=caller.name,
        on=wish.on,
        proving=ProvingWish(**asked),
    )
    return _begun(office, order)


@router.post(
    "/provings/stop", summary="End a proving at its checkpoint", response_model=Told[Status]
)
async def stop_proving(office: TheOffice, caller: TheCaller, wish: SeatWish) -> Response:
    """Ask the proving of a disk to write down how far it is, and stop."""
    office.caretaker.stop_proving(wish.on, caller.name)
    return answer_of(Told[Status], office.caretaker.status())


@router.post(
    "/accessions",
    summary="Take a drive into care",
    response_model=Heard | Beat | Broken,
    response_class=LiveStream,
)
async def take_in(office: TheOffice, caller: TheCaller, wish: AccessionWish) -> LiveStream:
    """Begin an accession, or take up one that was interrupted, and tell how it goes."""
    card = NewCard(
        shelfmark=read_text(wish.shelfmark, "shelfmark"),
        title=read_text(wish.title, "title"),
        medium=wish.medium,
        written_on=wish.written_on,
        holding=read_holding(wish.holding),
    )
    order = VisitOrder(
        drive=read_number(wish.number),
        kind=PassKind.ACCESSION,
        asked_by=caller.name,
        on=wish.on,
        card=card,
    )
    return _begun(office, order)


def _begun(office: Office, order: VisitOrder) -> LiveStream:
    """Begin a visit and return the stream of it; whoever watches does so from before it began."""
    if order.on is not None:
        _refuse_unseen(office, order.on)
    stream = LiveStream.of(office.gallery, of_visit(order))
    try:
        office.caretaker.begin(order)
    except BaseException:
        stream.let_go()
        raise
    return stream


def _refuse_unseen(office: Office, node: str) -> None:
    """Refuse every name but those of the disks that arrived, or rights could be borrowed here."""
    here = sorted(one.seat.node for one in office.caretaker.status().here)
    if node in here:
        return
    seen = f"plugged in now: {', '.join(here)}" if here else "none is plugged in now"
    raise RefusedError(
        f"{shown(node)} is not the node of a whole disk that the daemon saw arrive ({seen}). It "
        "opens nothing else for anybody: image files and folders are worked on by the command "
        "line itself"
    )
