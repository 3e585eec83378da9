"""Pages of NVMe drives, one decoder at a time."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from refreshd.health_cards import (
    NUMBER_MAX,
    Measure,
    OwnWarning,
    OwnWord,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
)
from refreshd.pages import BadPageError, nvme
from tests import pages_made
from tests.pages_made import Health


def test_the_health_log_is_read_field_by_field() -> None:
    """Offsets: NVMe base specification, up to power-on hours seen, later from memory."""
    found = nvme.health(
        Health(
            kelvin=308, spare=97, used=103, cycles=1, hours=2, unsafe=3, errors=4, minutes_hot=5
        ).page()
    )

    assert found.values == {
        Measure.CELSIUS: 35,  # 308 K, by whole numbers
        Measure.SPARE_LEFT: 97,
        Measure.SPARE_LEAST: 10,
        Measure.ENDURANCE_USED: 103,  # may exceed 100
        Measure.POWER_CYCLES: 1,
        Measure.POWER_ON_HOURS: 2,
        Measure.UNSAFE_SHUTDOWNS: 3,
        Measure.MEDIA_ERRORS: 4,
        Measure.MINUTES_TOO_HOT: 5,
    }


def test_no_kelvin_is_no_sensor() -> None:
    """0 K would be -273 °C."""
    found = nvme.health(Health(kelvin=0).page())

    assert Measure.CELSIUS not in found.values
    assert "no sensor" in found.refused[Measure.CELSIUS]


@pytest.mark.parametrize(
    ("spare", "least", "bits", "is_counted"),
    [(0, 0, 0, False), (0, 0, 1, True), (0, 10, 0, True), (1, 0, 0, True)],
)
def test_spares_that_nobody_counts_are_not_used_up(
    spare: int,
    least: int,
    bits: int,
    is_counted: bool,  # noqa: FBT001 - what is expected, not a switch
) -> None:
    """A new drive that leaves both fields at 0 and warns of nothing is not at its end."""
    found = nvme.health(Health(spare=spare, spare_least=least, warning=bits).page())

    for measure in (Measure.SPARE_LEFT, Measure.SPARE_LEAST):
        assert (measure in found.values) is is_counted
        assert (measure in found.refused) is not is_counted


def test_counters_have_128_bits() -> None:
    """A decoder that reads 64 of them would see a small number where a page is garbage."""
    found = nvme.health(Health(errors=1 << 127 | 5).page())

    assert found.values[Measure.MEDIA_ERRORS] == 1 << 127 | 5


@pytest.mark.parametrize(
    ("bits", "says", "warnings"),
    [
        (0b000000, OwnWord.PASSING, ()),
        (0b000001, OwnWord.FAILING, (OwnWarning.SPARE_LOW,)),
        (0b000010, OwnWord.PASSING, (OwnWarning.TEMPERATURE,)),
        (0b000100, OwnWord.FAILING, (OwnWarning.UNRELIABLE,)),
        (0b001000, OwnWord.FAILING, (OwnWarning.READ_ONLY,)),
        (0b010000, OwnWord.NOT_SAID, (OwnWarning.BACKUP_FAILED,)),
        (0b100000, OwnWord.PASSING, (OwnWarning.MEMORY_REGION,)),
        (0b001010, OwnWord.FAILING, (OwnWarning.TEMPERATURE, OwnWarning.READ_ONLY)),
        (0b1000000, OwnWord.NOT_SAID, (nvme.UNKNOWN_WARNING,)),
    ],
)
def test_each_critical_warning_is_told_in_words(
    bits: int, says: OwnWord, warnings: tuple[str, ...]
) -> None:
    """Bits 0 to 5 from memory; one that nobody here knows is no "passing"."""
    found = nvme.health(Health(warning=bits).page())

    assert (found.says, found.warnings) == (says, warnings)


def test_names_and_the_limit_are_read_from_identify_controller() -> None:
    """Serial 4 to 23, model 24 to 63, firmware 64 to 71, WCTEMP 266 (from memory)."""
    page = pages_made.nvme_identify(warns_at_kelvin=343)

    found = nvme.identify(page)
    assert (found.serial, found.model, found.firmware) == ("N-1", "TEST FLASH", "1.0")
    assert nvme.celsius_limit(page) == 70
    assert nvme.celsius_limit(pages_made.nvme_identify(warns_at_kelvin=0)) is None


def test_self_tests_are_told_the_one_under_way_first() -> None:
    """Log 06h: 4 bytes, then 20 entries of 28, the newest first (from memory)."""
    page = pages_made.nvme_self_tests(
        [(1, 0, 300, 0), (2, 7, 200, 4711), (2, 6, 199, 0), (1, 2, 100, 0), (0xE, 0xA, 50, 0)],
        running=(2, 40),
    )

    assert nvme.self_tests(page) == (
        SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.UNDER_WAY, percent_left=60),
        SelfTest(SelfTestKind.SHORT, SelfTestOutcome.PASSED, 300),
        SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.FAILED, 200, 4711),
        SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.FAILED, 199),
        SelfTest(SelfTestKind.SHORT, SelfTestOutcome.STOPPED, 100),
        SelfTest(SelfTestKind.OTHER, SelfTestOutcome.NOT_KNOWN, 50),
    )


def test_more_than_all_of_a_self_test_is_no_progress() -> None:
    """Seven bits have room for 127 percent."""
    (test,) = nvme.self_tests(pages_made.nvme_self_tests([], running=(1, 101)))

    assert (test.outcome, test.percent_left) == (SelfTestOutcome.UNDER_WAY, None)


def test_numbers_that_no_drive_can_give_are_left_out_of_a_self_test() -> None:
    """They are wider than what the journal can hold."""
    page = pages_made.nvme_self_tests([(2, 7, NUMBER_MAX + 1, NUMBER_MAX + 1)])

    (test,) = nvme.self_tests(page)
    assert (test.at_power_on_hours, test.first_bad_sector) == (None, None)


DECODERS: dict[str, tuple[Callable[[bytes], object], bytes]] = {
    "health": (nvme.health, Health().page()),
    "identify": (nvme.identify, pages_made.nvme_identify()),
    "limit": (nvme.celsius_limit, pages_made.nvme_identify()),
    "self-tests": (nvme.self_tests, pages_made.nvme_self_tests([])),
}


@pytest.mark.parametrize(("decode", "page"), DECODERS.values(), ids=DECODERS)
def test_a_page_of_another_size_or_an_empty_one_gives_nothing(
    decode: Callable[[bytes], object], page: bytes
) -> None:
    """These pages carry no checksum: what is not whole is all that can be seen."""
    decode(page)
    for broken in (page[:-1], page + b"\0", b"", bytes(len(page)), b"\xff" * len(page)):
        with pytest.raises(BadPageError):
            decode(broken)
