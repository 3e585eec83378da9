"""`ports.Examiner` on SCSI disks, which SATA and USB disks are, too.

E1  Only SCSI disks (peripheral type 0) get SCSI commands: to an optical drive A1h means "erase".
E2  `is_asleep` wakes no drive. Every other question may: whoever may not wake it asks that first.
E3  What another drive answers in its place, which its size gives away, is no answer.
E4  A drive whose bridge once let a question go without any answer is not asked again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol, TypeVar

from refreshd.adapters.examiner import ata, scsi
from refreshd.adapters.examiner.asking import NO_RIGHT, Line
from refreshd.adapters.examiner.ata import AtaSpeech
from refreshd.adapters.examiner.scsi import ScsiSpeech
from refreshd.health_cards import RawPages, Route, SelfTest, SelfTestKind, Vital
from refreshd.kernel.block_tree import is_of_size
from refreshd.kernel.sg_io import Send
from refreshd.pages.ata_status import Power

R = TypeVar("R")

ASLEEP = {Power.ASLEEP: True, Power.AWAKE: False, Power.NOT_SAID: None}

_IS_MUTE = "a question got no answer in time; it is not asked again in this stay"

ANOTHER = (
    "the answer is that of another drive: it has {} bytes, and this disk {}; a dock with several "
    "bays may let the first one answer for all"
)


class Reach(Protocol):
    """The way to one disk, and what the kernel says of it without asking it."""

    @property
    def is_on_usb(self) -> bool:
        """Whether a bridge stands in front of it."""

    @property
    def size_bytes(self) -> int:
        """How large the kernel takes it to be; 0: not known."""

    @property
    def is_virtual(self) -> bool:
        """Whether it is offered by the host of a virtual machine."""

    def is_suspended(self) -> bool:
        """Say whether the kernel itself has put it to sleep."""

    def hwmon_celsius(self) -> int | None:
        """Return what the kernel says of its temperature."""

    def scsi(self) -> AbstractContextManager[Send]:
        """Open it for questions in SCSI commands."""


class ScsiExaminer:
    """A SATA, USB or SAS disk. Which language it speaks is found out at the first question."""

    def __init__(self, disk: Reach) -> None:
        """Ask nothing yet."""
        self._disk = disk
        self._speech: AtaSpeech | ScsiSpeech | None = None
        self._silence = ""

    def read(self) -> RawPages:
        """Ask for all pages that the drive lists. May wake it."""
        if self._silence != _IS_MUTE:
            self._silence = ""  # What was out of order at the first question may be so no more.
        celsius = self._disk.hwmon_celsius()
        return self._spoken(lambda speech, line: speech.read(line, celsius), self._nothing(celsius))

    def vital(self) -> Vital:
        """Ask for the temperature, and whether it fails: one command where the kernel helps."""
        celsius = self._disk.hwmon_celsius()
        return self._spoken(
            lambda speech, line: speech.vital(line, celsius), lambda: Vital(celsius)
        )

    def is_asleep(self) -> bool | None:
        """Say whether it stands still. A bridge that does not pass the question on says nothing."""
        if self._disk.is_suspended():
            return True
        if self._silence:
            return None
        with self._line() as line:
            said = ata.power_of(line)
            if said is Power.NOT_SAID and not self._disk.is_on_usb:
                said = scsi.power_of(line)
        return ASLEEP[said]

    def start_self_test(self, kind: SelfTestKind) -> bool:
        """Start a self-test; one that is under way is given up by the drive."""
        return self._spoken(lambda speech, line: speech.start(line, kind), lambda: False)

    def self_test(self) -> SelfTest | None:
        """Return the self-test under way, or the last."""
        return self._spoken(lambda speech, line: speech.self_test(line), lambda: None)

    def self_test_minutes(self, kind: SelfTestKind) -> int | None:
        """Return how long it says that a self-test takes."""
        return self._spoken(lambda speech, line: speech.minutes(line, kind), lambda: None)

    def _nothing(self, celsius: int | None) -> Callable[[], RawPages]:
        """Return what `read` answers for a silent disk."""
        return lambda: RawPages(Route.SILENT, silence=self._silence, hwmon_celsius=celsius)

    def _spoken(
        self, question: Callable[[AtaSpeech | ScsiSpeech, Line], R], silent: Callable[[], R]
    ) -> R:
        """Put a question in the drive's language; `silent` answers where it has none."""
        if self._silence:
            return silent()
        with self._line() as line:
            speech = self._speech or self._found(line)
            return silent() if speech is None else question(speech, line)

    def _found(self, line: Line) -> AtaSpeech | ScsiSpeech | None:
        """Find out which language it speaks, and remember it, or that it speaks none."""
        identified = ata.identify_forms(line)
        if not isinstance(identified, str):
            sector, is_short = identified
            speech = AtaSpeech.of(sector, is_short=is_short)
            said_bytes = speech.known.drive.size_bytes if speech.known else None
            if not is_of_size(said_bytes, self._disk.size_bytes):
                self._silence = ANOTHER.format(said_bytes, self._disk.size_bytes)
                return None
            self._speech = speech
            return speech
        found = ScsiSpeech.of(line)
        if isinstance(found, ScsiSpeech):
            self._speech = found
            return found
        self._silence = self._why_silent(line, identified, found)
        return None

    def _why_silent(self, line: Line, of_ata: str, of_scsi: str) -> str:
        """Say why neither language got an answer."""
        if line.is_mute:
            return _IS_MUTE
        if line.has_no_right:
            return NO_RIGHT
        if self._disk.is_on_usb:
            return f"the bridge passes no health commands through: {of_ata}"
        what = "a virtual disk" if self._disk.is_virtual else "a disk"
        return f"{what} that knows no health commands: {of_scsi}"

    @contextmanager
    def _line(self) -> Iterator[Line]:
        with self._disk.scsi() as send:
            line = Line(send)
            yield line
        if line.is_mute:
            self._silence = _IS_MUTE  # E4
