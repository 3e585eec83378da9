"""`ports.Examiner` on an NVMe drive: asked by ourselves where we may, else by the root side."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Protocol

from refreshd.adapters.examiner.asking import FAULTS
from refreshd.errors import RefusedError
from refreshd.health_cards import (
    PageName,
    RawPages,
    Route,
    SelfTest,
    SelfTestKind,
    Vital,
)
from refreshd.kernel import direct_io, nvme, root_side
from refreshd.kernel.nvme import Order, Pages
from refreshd.kernel.sg_io import NO_RIGHT
from refreshd.pages import assemble, vital


class NvmeReach(Protocol):
    """The way to one NVMe drive, and what the kernel says of it without asking it."""

    def is_suspended(self) -> bool:
        """Say whether the kernel itself has put it to sleep."""

    def hwmon_celsius(self) -> int | None:
        """Return what the kernel says of its temperature."""

    def nvme(self) -> AbstractContextManager[Order]:
        """Open it for admin commands."""


class RootSide(Protocol):
    """Whoever may send admin commands where this process may not. Both may raise RefusedError."""

    def read_pages(self) -> Pages:
        """Ask for all pages."""

    def start_self_test(self, kind: SelfTestKind) -> bool:
        """Start a self-test."""


class RealRootSide:
    """`RootSide` at the socket of the service's own."""

    def __init__(self, node: str, disk_sequence: int | None) -> None:
        """Keep which drive is meant."""
        self._node, self._disk_sequence = node, disk_sequence

    def read_pages(self) -> Pages:
        """Ask for all pages."""
        return root_side.ask_nvme_pages(self._node, self._sequence)

    def start_self_test(self, kind: SelfTestKind) -> bool:
        """Start a self-test."""
        return root_side.ask_nvme_self_test(self._node, self._sequence, kind)

    @property
    def _sequence(self) -> int:
        if self._disk_sequence is None:
            raise RefusedError(f"{self._node}: the kernel counts no disks (Linux 5.15 does)")
        return self._disk_sequence


class NvmeExaminer:
    """An NVMe drive, asked by ourselves where we may, else through the root side."""

    def __init__(self, drive: NvmeReach, root_side: RootSide) -> None:
        """Ask nothing yet."""
        self._drive, self._root_side = drive, root_side

    def read(self) -> RawPages:
        """Ask for all pages that the drive lists."""
        celsius = self._drive.hwmon_celsius()
        try:
            found = self._pages()
        except RefusedError as err:
            return RawPages(Route.SILENT, silence=str(err), hwmon_celsius=celsius)
        if PageName.NVME_HEALTH not in found.pages:
            why = found.refusals.get(PageName.NVME_HEALTH, "no health log came")
            return RawPages(
                Route.SILENT, found.pages, found.refusals, silence=why, hwmon_celsius=celsius
            )
        return RawPages(Route.NVME, found.pages, found.refusals, hwmon_celsius=celsius)

    def vital(self) -> Vital:
        """Ask for the health log, which has both."""
        celsius = self._drive.hwmon_celsius()
        try:
            found = self._pages()
        except RefusedError:
            return Vital(celsius)
        return vital(RawPages(Route.NVME, found.pages, found.refusals, hwmon_celsius=celsius))

    def is_asleep(self) -> bool | None:
        """Say whether the kernel has put it to sleep; nothing in it stands still otherwise."""
        return self._drive.is_suspended()

    def start_self_test(self, kind: SelfTestKind) -> bool:
        """Start a self-test."""
        if kind is SelfTestKind.OTHER:
            return False
        try:
            return self._started(kind)
        except RefusedError:
            return False

    def self_test(self) -> SelfTest | None:
        """Return the self-test under way, or the last."""
        try:
            found = self._pages()
        except RefusedError:
            return None
        reading = assemble(RawPages(Route.NVME, found.pages, found.refusals))
        return next(iter(reading.self_tests), None)

    def self_test_minutes(self, kind: SelfTestKind) -> int | None:
        """Return how long it says that a self-test takes."""
        try:
            identify = self._pages().pages.get(PageName.NVME_IDENTIFY, b"")
        except RefusedError:
            return None
        return nvme.self_test_minutes(identify, kind)

    def _pages(self) -> Pages:
        """Return all pages. Raises RefusedError where they may not be asked for."""
        try:
            with self._drive.nvme() as order:
                return nvme.read_pages(order)
        except OSError as err:
            _refuse_fault(err)
        return self._root_side.read_pages()

    def _started(self, kind: SelfTestKind) -> bool:
        """Start a self-test, or not. Raises as `_pages`."""
        try:
            with self._drive.nvme() as order:
                return nvme.start_self_test(order, kind)
        except OSError as err:
            _refuse_fault(err)
        return self._root_side.start_self_test(kind)


def _refuse_fault(err: OSError) -> None:
    """Go on where only the right is missing; raise RefusedError for a fault of the way there."""
    if err.errno in NO_RIGHT:
        return
    if err.errno in FAULTS:
        name = direct_io.error_name(err)
        raise RefusedError(f"the question did not get through ({name})") from err
    raise err
