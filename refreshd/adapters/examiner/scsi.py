"""What a SCSI drive is asked about itself: the pages that it lists, no others.

Source: SPC, INQUIRY with the list of pages (VPD 00h), LOG SENSE with the list of pages (00h),
SEND DIAGNOSTIC, REQUEST SENSE with a progress indication, Extended INQUIRY Data (VPD 86h, minutes
of an extended self-test at byte 10; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from refreshd.adapters.examiner.asking import Answers, Line, NoPageError
from refreshd.health_cards import (
    PageName,
    RawPages,
    Route,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Vital,
)
from refreshd.kernel.sg_io import Sent
from refreshd.pages import BadPageError, assemble, commands, vital
from refreshd.pages.ata_status import Power, scsi_power
from refreshd.pages.scsi_logs import pages_offered
from refreshd.pages.sense import percent_done

_LOGS = {
    0x02: PageName.SCSI_LOG_02,
    0x03: PageName.SCSI_LOG_03,
    0x05: PageName.SCSI_LOG_05,
    0x0D: PageName.SCSI_LOG_0D,
    0x0E: PageName.SCSI_LOG_0E,
    0x10: PageName.SCSI_LOG_10,
    0x2F: PageName.SCSI_LOG_2F,
}
_VPDS = {
    0x80: PageName.SCSI_VPD_80,
    0x83: PageName.SCSI_VPD_83,
    0x89: PageName.SCSI_VPD_89,
    0xB1: PageName.SCSI_VPD_B1,
}
_TEMPERATURE, _SELF_TESTS, _EXCEPTIONS = 0x0D, 0x10, 0x2F
_EXTENDED_INQUIRY, _EXTENDED_MINUTES_AT = 0x86, 10
_SHORT_MINUTES = 2
"""The longest that a short self-test should take. Source: SPC, from memory."""

_HEADER_BYTES = 4


def power_of(line: Line) -> Power:
    """Ask a SCSI drive whether it stands still; wakes no drive."""
    sent = line.asked(commands.request_sense(), commands.SENSE_BYTES_MAX)
    said = scsi_power(sent.data) if sent is not None and sent.is_good else Power.NOT_SAID
    if said is Power.ASLEEP:
        return said
    # A drive that was stopped says so only where it is asked whether it is ready.
    ready = line.asked(commands.test_unit_ready())
    return _power_by(ready) if ready is not None else said


def _power_by(ready: Sent) -> Power:
    """Return what an answer to TEST UNIT READY says."""
    return Power.AWAKE if ready.is_good else scsi_power(ready.sense)


@dataclass(frozen=True, slots=True)
class ScsiSpeech:
    """How one SCSI drive is talked to."""

    pages: dict[PageName, bytes]  # INQUIRY and the list of logs, as they came at first
    logs: frozenset[int]

    @classmethod
    def of(cls, line: Line) -> ScsiSpeech | str:
        """Ask a drive what it is and which logs it has; or say why it cannot be asked more."""
        answers = Answers(line, Route.SCSI)
        answers.ask(
            PageName.SCSI_INQUIRY, commands.inquiry(), commands.INQUIRY_BYTES, is_whole=False
        )
        page = _ask_log(answers, PageName.SCSI_LOG_00, 0x00)
        if not page:
            return answers.refusals[PageName.SCSI_LOG_00]
        try:
            logs = pages_offered(page) & _LOGS.keys()
        except BadPageError as err:
            return f"its list of logs cannot be trusted: {err}"
        return cls(answers.pages, logs) if logs else "it lists no log about its health"

    def read(self, line: Line, hwmon_celsius: int | None) -> RawPages:
        """Ask for all pages that the drive lists."""
        answers = Answers(line, Route.SCSI)
        answers.pages.update(self.pages)
        self._ask_vital_product_data(answers)
        for number, name in _LOGS.items():
            if number in self.logs:
                _ask_log(answers, name, number)
            else:
                answers.refuse("the drive does not list it", name)
        return answers.told(hwmon_celsius)

    def vital(self, line: Line, hwmon_celsius: int | None) -> Vital:
        """Ask whether it fails, and for the temperature where the kernel does not say it."""
        answers = Answers(line, Route.SCSI)
        wanted = {_EXCEPTIONS} if hwmon_celsius is not None else {_EXCEPTIONS, _TEMPERATURE}
        for number in sorted(wanted & self.logs):
            _ask_log(answers, _LOGS[number], number)
        return vital(answers.told(hwmon_celsius))

    def start(self, line: Line, kind: SelfTestKind) -> bool:
        """Start a self-test in the background."""
        if _SELF_TESTS not in self.logs or kind is SelfTestKind.OTHER:
            return False
        sent = line.asked(commands.send_diagnostic(kind))
        return sent is not None and sent.is_good

    def self_test(self, line: Line) -> SelfTest | None:
        """Return the self-test under way, or the last."""
        if _SELF_TESTS not in self.logs:
            return None
        answers = Answers(line, Route.SCSI)
        _ask_log(answers, PageName.SCSI_LOG_10, _SELF_TESTS)
        found = next(iter(assemble(answers.told(None)).self_tests), None)
        if found is None or found.outcome is not SelfTestOutcome.UNDER_WAY:
            return found
        sent = line.asked(commands.request_sense(), commands.SENSE_BYTES_MAX)
        done = None if sent is None else percent_done(sent.data)
        return found if done is None else replace(found, percent_left=100 - done)

    def minutes(self, line: Line, kind: SelfTestKind) -> int | None:
        """Return how long a self-test takes at most."""
        if _SELF_TESTS not in self.logs:
            return None
        if kind is SelfTestKind.SHORT:
            return _SHORT_MINUTES
        page = _vital_product_data(line, _EXTENDED_INQUIRY)
        at = _EXTENDED_MINUTES_AT
        return int.from_bytes(page[at : at + 2], "big") or None

    def _ask_vital_product_data(self, answers: Answers) -> None:
        """Ask for the pages of vital product data that page 00h lists."""
        try:
            offered = _listed(_vpd(answers, 0x00))
        except NoPageError as err:
            answers.refuse(f"the list of pages did not come: {err}", *_VPDS.values())
            return
        for number, name in _VPDS.items():
            if number in offered:
                cdb, room = commands.inquiry_vpd(number), commands.VPD_BYTES_MAX
                answers.ask(name, cdb, room, is_whole=False)
            else:
                answers.refuse("the drive does not list it", name)


def _ask_log(answers: Answers, name: PageName, number: int) -> bytes:
    cdb = commands.log_sense(number)
    return answers.ask(name, cdb, commands.LOG_BYTES_MAX, is_whole=False)


def _vpd(answers: Answers, number: int) -> bytes:
    """Return a page of vital product data, or raise NoPageError."""
    cdb = commands.inquiry_vpd(number)
    page = answers.sector(cdb, commands.VPD_BYTES_MAX, is_whole=False)
    if len(page) < _HEADER_BYTES or page[1] != number:
        raise NoPageError("another page came")
    return page


def _vital_product_data(line: Line, number: int) -> bytes:
    """Return a page of vital product data that the drive lists; empty where there is none."""
    answers = Answers(line, Route.SCSI)
    try:
        return _vpd(answers, number) if number in _listed(_vpd(answers, 0x00)) else b""
    except NoPageError:
        return b""


def _listed(page: bytes) -> frozenset[int]:
    """Return the page numbers in a list of pages; none where it is no such list, or cut short."""
    if len(page) < _HEADER_BYTES or page[0] & 0x3F or page[1]:
        return frozenset()
    end = _HEADER_BYTES + int.from_bytes(page[2:4], "big")
    return frozenset(page[_HEADER_BYTES:end]) if len(page) >= end else frozenset()
