"""What an ATA drive is asked about itself, and by which commands: those that it lists, no others.

Source: ACS, IDENTIFY DEVICE words 82 to 87 and 206, General Purpose Log Directory (log 00h: a
word for each log, how many sectors it has), Device Statistics (log 04h).
"""

from __future__ import annotations

from dataclasses import dataclass

from refreshd.adapters.examiner.asking import Answers, Line, NoPageError
from refreshd.health_cards import (
    OwnWord,
    PageName,
    RawPages,
    Route,
    SelfTest,
    SelfTestKind,
    Vital,
)
from refreshd.pages import BadPageError, assemble, commands, vital
from refreshd.pages.ata_identify import AtaIdentity, identify
from refreshd.pages.ata_smart import smart_data
from refreshd.pages.ata_statistics import pages_offered
from refreshd.pages.ata_status import Power, ata_power
from refreshd.pages.commands import SECTOR_BYTES

_SMART_PAGES = (
    PageName.ATA_SMART_DATA,
    PageName.ATA_THRESHOLDS,
    PageName.ATA_STATUS,
    PageName.ATA_ERROR_LOG,
    PageName.ATA_SELF_TEST_LOG,
    PageName.ATA_SCT_STATUS,
)
_STATISTICS = {
    PageName.ATA_STATISTICS_01: 0x01,
    PageName.ATA_STATISTICS_03: 0x03,
    PageName.ATA_STATISTICS_04: 0x04,
    PageName.ATA_STATISTICS_05: 0x05,
    PageName.ATA_STATISTICS_07: 0x07,
}
_LOG_PAGES = (PageName.ATA_EXTENDED_SELF_TEST_LOG, PageName.ATA_STATISTICS_00, *_STATISTICS)
_INSTEAD_OF_STATUS = {
    PageName.ATA_SMART_DATA: commands.smart_read_data(),
    PageName.ATA_THRESHOLDS: commands.smart_read_thresholds(),
}
_STATISTICS_LOG, _EXTENDED_SELF_TEST_LOG = 0x04, 0x07

_LISTING_WORD, _ERROR_LOG_BIT, _LOGS_BIT = 84, 0, 5
"""Word 84 of IDENTIFY: SMART error logging, General Purpose Logging (bits from memory)."""


def identify_forms(line: Line) -> tuple[bytes, bool] | str:
    """
    Ask a drive who it is: by the long form of the command, then by the short one.

    Returns:
        The sector, and whether its bridge knows the short form alone; or why none came, which is
        what came of the long form.

    """
    long_form = commands.identify_device()
    why = ""
    for is_short, cdb in ((False, long_form), (True, commands.short_form(long_form))):
        try:
            return Answers(line, Route.ATA).sector(cdb, SECTOR_BYTES), is_short
        except NoPageError as err:
            why = why or str(err)
    return why


def power_of(line: Line) -> Power:
    """Ask whether a drive stands still, by either form of the command; wakes no drive."""
    long_form = commands.check_power_mode()
    for cdb in (long_form, commands.short_form(long_form)):
        sent = line.asked(cdb)
        if sent is not None and sent.has_sense:
            said = ata_power(sent.sense)
            if said is not Power.NOT_SAID:
                return said
    return Power.NOT_SAID


@dataclass(frozen=True, slots=True)
class AtaSpeech:
    """How one ATA drive is talked to."""

    sector: bytes  # what it answered to IDENTIFY DEVICE
    is_short: bool  # the bridge knows commands of 12 bytes alone
    known: AtaIdentity | None
    why_unknown: str = ""

    @classmethod
    def of(cls, sector: bytes, *, is_short: bool) -> AtaSpeech:
        """Read what a drive lists; one whose identity page is broken lists nothing."""
        try:
            return cls(sector, is_short, identify(sector))
        except BadPageError as err:
            return cls(sector, is_short, None, f"its identity page cannot be trusted: {err}")

    def read(self, line: Line, hwmon_celsius: int | None) -> RawPages:
        """Ask for all pages that the drive lists."""
        answers = self._answers(line)
        answers.pages[PageName.ATA_IDENTIFY] = self.sector
        self._ask_smart(answers)
        self._ask_logs(answers)
        if set(answers.pages) <= {PageName.ATA_IDENTIFY} and hwmon_celsius is None:
            why = self._why_no_smart or answers.refusals[PageName.ATA_SMART_DATA]
            silence = f"it says who it is, and nothing of its health: {why}"
            return RawPages(Route.SILENT, answers.pages, answers.refusals, silence)
        return answers.told(hwmon_celsius)

    def vital(self, line: Line, hwmon_celsius: int | None) -> Vital:
        """
        Ask whether it fails, and for the temperature where the kernel does not say it.

        A bridge that gives no registers back hides the answer to the first; that an attribute has
        come down to its threshold says the same where it is "failing".
        """
        answers = self._answers(line)
        if self._why_no_smart:
            return Vital(hwmon_celsius)
        answers.ask_status(PageName.ATA_STATUS, commands.smart_return_status())
        found = vital(answers.told(hwmon_celsius))
        for name, cdb in self._thermometers:
            if found.celsius is None:
                answers.ask(name, cdb, SECTOR_BYTES)
                found = vital(answers.told(hwmon_celsius))
        if found.says is not OwnWord.NOT_SAID:
            return found
        for name, cdb in _INSTEAD_OF_STATUS.items():
            if name not in answers.pages:
                answers.ask(name, cdb, SECTOR_BYTES)
        return vital(answers.told(hwmon_celsius))

    def start(self, line: Line, kind: SelfTestKind) -> bool:
        """Start a self-test."""
        if not self._knows_self_tests or kind is SelfTestKind.OTHER:
            return False
        sent = line.asked(self._form(commands.self_test(kind)))
        return sent is not None and sent.is_good

    def self_test(self, line: Line) -> SelfTest | None:
        """Return the self-test under way, or the last."""
        if not self._knows_self_tests:
            return None
        answers = self._answers(line)
        answers.ask(PageName.ATA_SMART_DATA, commands.smart_read_data(), SECTOR_BYTES)
        answers.ask(PageName.ATA_SELF_TEST_LOG, commands.self_test_log(), SECTOR_BYTES)
        return next(iter(assemble(answers.told(None)).self_tests), None)

    def minutes(self, line: Line, kind: SelfTestKind) -> int | None:
        """Return how long it says that a self-test takes."""
        if not self._knows_self_tests:
            return None
        answers = self._answers(line)
        page = answers.ask(PageName.ATA_SMART_DATA, commands.smart_read_data(), SECTOR_BYTES)
        try:
            return smart_data(page).minutes.get(kind)
        except BadPageError:
            return None

    @property
    def _knows_self_tests(self) -> bool:
        return not self._why_no_smart and bool(self.known and self.known.has_self_test)

    @property
    def _thermometers(self) -> tuple[tuple[PageName, bytes], ...]:
        """The pages with the temperature, the cheapest first."""
        data = (PageName.ATA_SMART_DATA, commands.smart_read_data())
        if self.known and self.known.has_sct:
            return ((PageName.ATA_SCT_STATUS, commands.sct_status()), data)
        return (data,)

    @property
    def _why_no_smart(self) -> str:
        """Say why none of the SMART commands is sent; empty where they are."""
        if self.known is None:
            return self.why_unknown
        if not self.known.has_smart:
            return "the drive does not list SMART among what it knows"
        if not self.known.is_smart_on:
            return "SMART is switched off in the drive; nobody switches it on unasked"
        return ""

    @property
    def _why_no_logs(self) -> str:
        """Say why no log is asked for by the newer command; empty where it is."""
        if self.known is None:
            return self.why_unknown
        if not self._lists(_LOGS_BIT):
            return "the drive lists no general-purpose logs"
        if self.is_short:
            return "the bridge passes on only short commands, and this one has no short form"
        return ""

    def _lists(self, bit: int) -> bool:
        """Say whether word 84 vouches for itself (bits 15:14 are 01b) and has a bit set."""
        word = int.from_bytes(self.sector[2 * _LISTING_WORD : 2 * _LISTING_WORD + 2], "little")
        return word >> 14 == 0b01 and bool(word >> bit & 1)

    def _form(self, cdb: bytes) -> bytes:
        return commands.short_form(cdb) if self.is_short else cdb

    def _answers(self, line: Line) -> Answers:
        return Answers(line, Route.ATA, self._form)

    def _ask_smart(self, answers: Answers) -> None:
        """Ask for what SMART commands bring."""
        if self._why_no_smart:
            answers.refuse(self._why_no_smart, *_SMART_PAGES)
            return
        answers.ask(PageName.ATA_SMART_DATA, commands.smart_read_data(), SECTOR_BYTES)
        answers.ask(PageName.ATA_THRESHOLDS, commands.smart_read_thresholds(), SECTOR_BYTES)
        answers.ask_status(PageName.ATA_STATUS, commands.smart_return_status())
        has_self_test, has_sct = self._knows_self_tests, bool(self.known and self.known.has_sct)
        for is_listed, name, cdb in (
            (self._lists(_ERROR_LOG_BIT), PageName.ATA_ERROR_LOG, commands.summary_error_log()),
            (has_self_test, PageName.ATA_SELF_TEST_LOG, commands.self_test_log()),
            (has_sct, PageName.ATA_SCT_STATUS, commands.sct_status()),
        ):
            if is_listed:
                answers.ask(name, cdb, SECTOR_BYTES)
            else:
                answers.refuse("the drive does not list it", name)

    def _ask_logs(self, answers: Answers) -> None:
        """Ask for what READ LOG EXT brings, of the logs that the drive has."""
        if self._why_no_logs:
            answers.refuse(self._why_no_logs, *_LOG_PAGES)
            return
        try:
            directory = answers.sector(commands.read_log_ext(0), SECTOR_BYTES)
        except NoPageError as err:
            answers.refuse(f"the list of logs did not come: {err}", *_LOG_PAGES)
            return
        if _has_log(directory, _EXTENDED_SELF_TEST_LOG):
            cdb = commands.extended_self_test_log()
            answers.ask(PageName.ATA_EXTENDED_SELF_TEST_LOG, cdb, SECTOR_BYTES)
        else:
            answers.refuse("the drive does not list it", PageName.ATA_EXTENDED_SELF_TEST_LOG)
        if _has_log(directory, _STATISTICS_LOG):
            self._ask_statistics(answers)
        else:
            names = (PageName.ATA_STATISTICS_00, *_STATISTICS)
            answers.refuse("the drive lists no device statistics", *names)

    def _ask_statistics(self, answers: Answers) -> None:
        """Ask for the pages of device statistics that page 00h lists."""
        page = answers.ask(PageName.ATA_STATISTICS_00, commands.device_statistics(0), SECTOR_BYTES)
        try:
            offered = pages_offered(page)
        except BadPageError as err:
            answers.refuse(f"the list of statistics cannot be trusted: {err}", *_STATISTICS)
            return
        for name, number in _STATISTICS.items():
            if number in offered:
                answers.ask(name, commands.device_statistics(number), SECTOR_BYTES)
            else:
                answers.refuse("the drive does not list it", name)


def _has_log(directory: bytes, log: int) -> bool:
    """Say whether a log has at least one sector."""
    return any(directory[2 * log : 2 * log + 2])
