"""The paths for looking. Each is a GET, writes nothing, and needs the right to look."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import Annotated

from fastapi import APIRouter, Path, Query, Response

from refreshd import __version__
from refreshd.api.asking import (
    FAILURES,
    AnyDrive,
    Drive,
    JournalStream,
    LiveStream,
    TheCaller,
    TheOffice,
)
from refreshd.api.office import answer_of
from refreshd.api.watching import of_everything
from refreshd.caretaker.status import Status
from refreshd.events import Entry
from refreshd.proving_cards import Certificate
from refreshd.reception.wire import (
    PREFIX,
    About,
    Beat,
    Broken,
    Day,
    Heard,
    JournalLine,
    Told,
)
from refreshd.verbs.care import read_number
from refreshd.verbs.health import HealthList, HealthView
from refreshd.verbs.looking import DriveView, FindingView, ShelfList
from refreshd.verbs.policies import Explained
from refreshd.verbs.proving import Proved, ProvingList, proving_of
from refreshd.verbs.records import LAST_MAX, JournalWish
from refreshd.verbs.slips import PullList
from refreshd.wiring.shelf import JournalVerified

SomeProving = Annotated[
    str, Path(pattern="^P[0-9]{1,9}$", description="Number of a proving, such as P3.")
]

router = APIRouter(prefix=PREFIX, tags=["looking"], responses=FAILURES)


@router.get("/about", summary="Which daemon this is", response_model=Told[About])
async def about(office: TheOffice, caller: TheCaller) -> Response:
    """Tell which record and which policy this daemon keeps, and what the caller may do."""
    station = office.station()
    found = About(
        program=f"refreshd {__version__}",
        state_directory=str(station.state),
        policy_file=station.policy.file,
        may_act=caller.may_act,
    )
    return answer_of(Told[About], found)


@router.get("/shelf", summary="All drives in care", response_model=Told[ShelfList])
async def shelf(office: TheOffice, caller: TheCaller, as_of: Day | None = None) -> Response:
    """List the drives in care by due date, as seen on one day; left out: today."""
    return await office.look(caller, Told[ShelfList], lambda desk: desk.shelf_list(as_of))


@router.get("/drives/{number}", summary="One drive's card", response_model=Told[DriveView])
async def drive(office: TheOffice, caller: TheCaller, number: Drive) -> Response:
    """Tell what is known of a drive, also of one that was withdrawn."""
    wanted = read_number(number)
    return await office.look(caller, Told[DriveView], lambda desk: desk.look_at(wanted))


@router.get("/health", summary="How the drives are", response_model=Told[HealthList])
async def shelf_health(office: TheOffice, caller: TheCaller) -> Response:
    """Tell what the last health reading of each drive says, the worst first."""
    return await office.look(caller, Told[HealthList], lambda desk: desk.health_list())


@router.get("/drives/{number}/health", summary="How one drive is", response_model=Told[HealthView])
async def health(office: TheOffice, caller: TheCaller, number: Drive) -> Response:
    """Tell all health readings of a drive, and temperature and rate across its passes."""
    wanted = read_number(number)
    return await office.look(caller, Told[HealthView], lambda desk: desk.health_of(wanted))


@router.get("/provings", summary="Drives that were or are proved", response_model=Told[ProvingList])
async def provings(office: TheOffice, caller: TheCaller) -> Response:
    """Tell the certificates of all drives, oldest first, and the provings that have not ended."""
    return await office.look(caller, Told[ProvingList], lambda desk: desk.provings())


@router.get(
    "/certificates",
    summary="Drives that were proved",
    response_model=Told[tuple[Certificate, ...]],
)
async def certificates(office: TheOffice, caller: TheCaller, drive: AnyDrive = None) -> Response:
    """Tell what the provings of all drives found, or of one that is in care by now."""
    wanted = None if drive is None else read_number(drive)
    kind = Told[tuple[Certificate, ...]]
    return await office.look(caller, kind, lambda desk: desk.certificates(wanted))


@router.get("/certificates/{proving}", summary="What a proving found", response_model=Told[Proved])
async def certificate(office: TheOffice, caller: TheCaller, proving: SomeProving) -> Response:
    """Tell one certificate, and where in the journal it stands. The whole journal is read."""
    wanted = proving_of(proving)
    return await office.look_long(caller, Told[Proved], lambda desk: desk.proved(wanted))


@router.get(
    "/drives/{number}/policy", summary="What holds for a drive", response_model=Told[Explained]
)
async def policy(office: TheOffice, caller: TheCaller, number: Drive) -> Response:
    """Tell every value in force for a drive, and which line of the policy decided it."""
    wanted = read_number(number)
    return await office.look(caller, Told[Explained], lambda desk: desk.explain_policy(wanted))


@router.get(
    "/findings", summary="What waits for a decision", response_model=Told[tuple[FindingView, ...]]
)
async def findings(office: TheOffice, caller: TheCaller, drive: AnyDrive = None) -> Response:
    """Tell the open findings of one drive, or of all in care."""
    wanted = None if drive is None else read_number(drive)
    kind = Told[tuple[FindingView, ...]]
    return await office.look(caller, kind, lambda desk: desk.open_findings(wanted))


@router.get("/pull-list", summary="The open slips", response_model=Told[PullList])
async def pull_list(office: TheOffice, caller: TheCaller) -> Response:
    """Tell which drives are to be brought out and which to be put away."""
    return await office.look(caller, Told[PullList], lambda desk: desk.pull_list())


@router.get("/status", summary="What the daemon does now", response_model=Told[Status])
async def status(office: TheOffice) -> Response:
    """Tell slips, drives that are plugged in, visits under way, pause, quiet hours and alarms."""
    return answer_of(Told[Status], office.caretaker.status())


@router.get(
    "/messages",
    summary="What happens, live",
    response_model=Heard | Beat | Broken,
    response_class=LiveStream,
)
async def messages(office: TheOffice) -> LiveStream:
    """Tell what the workers say, one JSON object a line, until one side ends.

    A line of kind `beat` comes whenever nothing happened for a second.
    """
    return LiveStream.of(office.gallery, of_everything())


@router.get(
    "/journal/verification", summary="Is the journal whole", response_model=Told[JournalVerified]
)
async def verification(office: TheOffice, caller: TheCaller) -> Response:
    """Verify the whole journal. Takes a minute or so for each gigabyte."""
    kind = Told[JournalVerified]
    return await office.look_long(caller, kind, lambda desk: desk.check_journal())


@router.get(
    "/journal",
    summary="The record of everything that happened",
    response_model=JournalLine | Broken,
    response_class=JournalStream,
)
async def journal(
    office: TheOffice,
    caller: TheCaller,
    drive: AnyDrive = None,
    last: Annotated[int | None, Query(ge=1, le=LAST_MAX)] = None,
    with_checkpoints: bool = False,  # noqa: FBT001, FBT002 - a parameter of the path
) -> JournalStream:
    """Tell the records, oldest first, one JSON object a line, each one verified."""
    number = None if drive is None else read_number(drive)
    reception, _ = office.reception(caller)
    entries = reception.show_journal(JournalWish(number, last, with_checkpoints))
    # The first are read before anything is answered: an error at the start is one of the request.
    first = await office.in_thread(office.readers, lambda: _some(entries))
    return JournalStream.of(office, first, lambda: _some(entries))


ENTRIES_AT_ONCE = 200
"""Read in one go: few enough for a pass that wants the processor, enough to be quick."""


def _some(entries: Iterator[Entry]) -> tuple[Entry, ...]:
    return tuple(islice(entries, ENTRIES_AT_ONCE))
