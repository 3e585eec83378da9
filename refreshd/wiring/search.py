"""Which drive is this, and where is the drive that was asked for?"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial

from refreshd.adapters.evidence import attached_loops
from refreshd.adapters.folder import MountedFolder
from refreshd.adapters.in_use import reason_in_use
from refreshd.cards import Carrier, DriveCard
from refreshd.drive import (
    END_BYTES_MAX,
    LOOP_MODEL,
    Sampler,
    Sampling,
    identify,
    identify_as,
    sample,
)
from refreshd.errors import (
    DriveError,
    DriveHungError,
    MediumInUseError,
    MediumLockedError,
    MistakenDriveError,
    RefreshdError,
    RefusedError,
    UnknownDriveError,
    UnreadableError,
    UsageError,
)
from refreshd.events import IdentityRefused
from refreshd.fixity import digest
from refreshd.kernel.block_tree import Identity, Node, spoken_of
from refreshd.kernel.mounts import device_of_node
from refreshd.ports import Lanes, Medium
from refreshd.quantities import KIB, Digest
from refreshd.wiring.media import WorkableMedium, refuse_unwritable_name
from refreshd.wiring.shelf import Shelf
from refreshd.wiring.station import Station

AnyMedium = WorkableMedium | MountedFolder

BEGINNING_BYTES = 128 * KIB
"""Where partition tables and nearly all file systems have their marks (see `signatures`)."""

LOCK_PATIENCE_S = 10.0
LOCK_RETRY_S = 0.25
"""udev locks a disk while it probes it, after plug-in and each time a writer lets go; with slow
sectors near the start that took over 10 s (measured 2026-11), else a moment."""

NO_FOLDER_PASSES = (
    "chunks are read and rewritten on the drive itself. Unmount it and name its device, or an "
    "image of it"
)


@dataclass(frozen=True, slots=True)
class Desk:
    """Where a drive is laid down: the shelf, the station and the lanes that reach it."""

    station: Station
    shelf: Shelf
    lanes: Lanes

    def open(self, path: str) -> AnyMedium:
        """Open a medium that nothing else uses; a drive that hangs is left after the wait."""
        refuse_unwritable_name(path)
        reason = reason_in_use(path)
        if reason is not None:
            raise MediumInUseError(reason)
        clock = self.station.clock
        last_try_s = clock.elapsed_s() + LOCK_PATIENCE_S
        while True:
            try:
                return self.lanes.aside(partial(self.station.open_medium, path))()
            except MediumLockedError:
                if clock.elapsed_s() >= last_try_s:
                    raise
                clock.sleep(LOCK_RETRY_S)

    def sampler(self, medium: AnyMedium) -> Sampler:
        """Return what compares a medium with the recorded digests of a drive."""
        return lambda card: self.lanes.aside(partial(self._sampled, medium, card))()

    def _sampled(self, medium: AnyMedium, card: DriveCard) -> Sampling:
        recorded = self.shelf.ledger.recorded_chunks(card.number)
        if recorded == 0 or isinstance(medium, MountedFolder):
            return Sampling(0, 0)
        packed = self.shelf.ledger.digests(card.number, 0, recorded)
        return sample(packed, partial(self._observed, medium, card))

    def _read_beginning(self, medium: WorkableMedium) -> None:
        length = min(BEGINNING_BYTES, medium.geometry.size_bytes)
        length -= length % medium.geometry.logical_bytes
        try:
            medium.read(0, self.lanes.scratch(BEGINNING_BYTES)[:length])
        except UnreadableError as err:
            raise DriveError(
                f"{err}; so it cannot be told which drive this is. Try another cable or dock"
            ) from err

    def _observed(self, medium: WorkableMedium, card: DriveCard, chunk: int) -> Digest | None:
        """Read and digest one chunk of the card's grid; None where the medium has none such."""
        span, geometry = card.grid.span(chunk), medium.geometry
        sector = geometry.logical_bytes
        if span.end > geometry.size_bytes or span.start % sector or span.length % sector:
            return None
        into = self.lanes.scratch(card.chunk_bytes)[: span.length]
        try:
            medium.read(span.start, into)
        except UnreadableError:
            return None
        return digest(into)

    def refuse_unreadable(self, medium: AnyMedium) -> None:
        """Raise DriveError if the medium cannot be read where its identity stands."""
        if not isinstance(medium, MountedFolder):
            self.lanes.aside(partial(self._read_beginning, medium))()

    def refuse_identity(self, medium: AnyMedium, err: RefusedError) -> None:
        """
        Write down that the evidence contradicts a card, or fits two drives or none.

        Raises:
            DriveError: The medium cannot even be read where its identity stands: that is a
                failing drive or dock, and says nothing of which drive it is.

        """
        self.refuse_unreadable(medium)
        evidence = self.lanes.aside(medium.evidence)()
        self.shelf.ledger.record(IdentityRefused(evidence=evidence, reason=str(err)))


@contextmanager
def drive_found(desk: Desk, card: DriveCard, on: str | None) -> Iterator[WorkableMedium]:
    """
    Find a drive, at the place named or among the disks that are plugged in, and let go of it.

    Raises:
        UnknownDriveError, MistakenDriveError: It is not there, or something else is.
        MediumInUseError: Something else works on it.

    """
    if card.evidence.carrier is Carrier.FOLDER:
        raise RefusedError(
            f"{card.number} was taken in as a mounted folder, of which there is an inventory "
            f"only: {NO_FOLDER_PASSES}, and take it in under another number"
        )
    medium = _named(desk, card, on) if on is not None else _Search(desk, card).run()
    try:
        yield medium
    finally:
        let_go(desk.lanes, medium)


def let_go(lanes: Lanes, medium: Medium) -> None:
    """Close a medium; one that hangs is left to the end of the process."""
    if not lanes.is_hung:
        medium.close()


def _named(desk: Desk, card: DriveCard, on: str) -> WorkableMedium:
    medium = desk.open(on)
    if isinstance(medium, MountedFolder):
        medium.close()
        raise RefusedError(f"{on} is a folder; {NO_FOLDER_PASSES}")
    try:
        evidence = desk.lanes.aside(medium.evidence)()
        cards = desk.shelf.ledger.drives()
        identify_as(card.number, evidence, cards, desk.sampler(medium))
    except (MistakenDriveError, UnknownDriveError) as err:
        try:
            desk.refuse_identity(medium, err)
        finally:
            let_go(desk.lanes, medium)
        raise
    except BaseException:
        let_go(desk.lanes, medium)
        raise
    return medium


@dataclass
class _Search:
    """Looks through the disks that are plugged in. Remembers why each was not taken."""

    desk: Desk
    card: DriveCard
    found: list[WorkableMedium] = field(default_factory=list)
    doubts: list[RefreshdError] = field(default_factory=list)

    def run(self) -> WorkableMedium:
        """Return the one that is the drive, or raise the best reason why there is none."""
        try:
            for path in self._places():
                if may_be(path, self.card):
                    self._look(path)
        except BaseException:
            self._let_go()
            raise
        if len(self.found) == 1:
            return self.found[0]
        places = " and ".join(medium.place for medium in self.found)
        self._let_go()
        if places:
            raise MistakenDriveError(
                f"{places} both carry what {self.card.number} carries: byte-identical clones. "
                "Nothing was written; look which one it is, and plug in that one alone"
            )
        raise self._why_not()

    def _places(self) -> tuple[str, ...]:
        """Return where to look: a drive that was taken in as a loop device may be one again."""
        is_loop = self.card.evidence.model == LOOP_MODEL
        return (*self.desk.station.look_in(), *(attached_loops() if is_loop else ()))

    def _look(self, path: str) -> None:
        medium: AnyMedium | None = None
        try:
            medium = self.desk.open(path)
            if self._is_it(medium) and not isinstance(medium, MountedFolder):
                self.found.append(medium)
                medium = None
        except UnknownDriveError:
            pass  # Some other disk of this server.
        except MistakenDriveError as err:
            self.doubts.append(self._refused(medium, err))
        except (RefusedError, UsageError, DriveError) as err:
            self.doubts.append(err)
        finally:
            if medium is not None:
                let_go(self.desk.lanes, medium)

    def _is_it(self, medium: AnyMedium) -> bool:
        """Say whether this is the drive; a doubt about others alone is none about this one."""
        evidence = self.desk.lanes.aside(medium.evidence)()
        cards, sampler = self.desk.shelf.ledger.drives(), self.desk.sampler(medium)
        try:
            return identify(evidence, cards, sampler).number == self.card.number
        except MistakenDriveError:
            identify(evidence, [self.card], sampler)  # UnknownDriveError: it is about others.
            raise

    def _refused(self, medium: AnyMedium | None, err: MistakenDriveError) -> RefreshdError:
        try:
            if medium is not None:
                self.desk.refuse_identity(medium, err)
        except DriveError as failing:
            return failing
        return err

    def _let_go(self) -> None:
        for medium in self.found:
            let_go(self.desk.lanes, medium)

    def _why_not(self) -> RefreshdError:
        for doubt in self.doubts:
            if isinstance(doubt, DriveHungError):
                return doubt  # whoever ends the process must know
        card = self.card
        which = f"{card.number} ({card.title}, {card.shelfmark})"
        failing = [str(doubt) for doubt in self.doubts if isinstance(doubt, DriveError)]
        if failing:
            return DriveError(
                f"{which} was not found, but may be a disk that fails: {'; '.join(failing)}"
            )
        for doubt in self.doubts:
            if isinstance(doubt, MistakenDriveError):
                return doubt
        in_use = [str(doubt) for doubt in self.doubts if isinstance(doubt, MediumInUseError)]
        if in_use:
            return MediumInUseError(
                f"{which} is not among the disks that are free to be looked at, but may be one "
                f"that is not: {'; '.join(in_use)}"
            )
        if card.evidence.carrier is Carrier.IMAGE:
            return UnknownDriveError(f"{which} is an image file; name its path with --on")
        also = "".join(f"; {doubt}" for doubt in self.doubts)
        return UnknownDriveError(
            f"{which} is not among the disks that are plugged in{also}; plug it in, or name its "
            "place with --on"
        )


def may_be(path: str, card: DriveCard) -> bool:
    """
    Say from what the kernel knows whether a disk could be the drive; it is not touched.

    A disk that names itself otherwise, or has quite another size, is left asleep.
    """
    number = device_of_node(path)
    if number is None:
        return True  # Not a device: whoever opens it will see.
    disk = Node(number).disk
    return could_be(spoken_of(disk), disk.size_bytes, card)


def could_be(said: Identity, size_bytes: int, card: DriveCard) -> bool:
    """Say from a disk's own words, or else from its size, whether it could be the drive."""
    is_same = _names_same(said, card)
    if is_same is not None:
        return is_same
    return abs(size_bytes - card.evidence.size_bytes) <= END_BYTES_MAX


def _names_same(said: Identity, card: DriveCard) -> bool | None:
    """Say whether a disk names itself as the card does; None if one of them is silent."""
    known = card.evidence
    if said.wwn and known.wwn:
        return said.wwn == known.wwn
    if said.serial and known.serial:
        return (said.model, said.serial) == (known.model, known.serial)
    return None
