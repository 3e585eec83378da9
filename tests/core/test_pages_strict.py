"""Any bytes at all: no decoder falls over, and no number comes out of a page that is broken (I8).

`damaged` states what a page can go through on its way: cut short, made longer, bits turned,
bytes replaced, zeros from some place on, or no page at all but noise.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from refreshd.health_cards import NUMBER_MAX, HealthReading, Measure, PageName, RawPages, Route
from refreshd.pages import assemble
from refreshd.pages.ata_identify import identify
from tests import pages_made
from tests.fuzz import decoders
from tests.pages_made import Health, Identify, Row, Test

DRIVES = {
    Route.ATA: pages_made.ata_drive(),
    Route.SCSI: pages_made.scsi_drive(),
    Route.NVME: pages_made.nvme_drive(),
}
WHOLE = [page for drive in DRIVES.values() for page in drive.pages.values()]
CHECKED = (
    PageName.ATA_SMART_DATA,
    PageName.ATA_THRESHOLDS,
    PageName.ATA_SELF_TEST_LOG,
    PageName.ATA_EXTENDED_SELF_TEST_LOG,
    PageName.ATA_ERROR_LOG,
)
"""Pages with a checksum over all of their 512 bytes."""


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """Return a page that something happened to."""
    page = bytearray(draw(st.sampled_from(WHOLE)))
    for at, byte in draw(
        st.dictionaries(st.integers(0, 600), st.integers(0, 255), max_size=4)
    ).items():
        if at < len(page):
            page[at] = byte
    end = draw(st.one_of(st.none(), st.integers(0, len(page))))
    if end is not None:
        page[end:] = draw(st.sampled_from([b"", bytes(len(page) - end)]))
    return bytes(page) + draw(st.sampled_from([b"", b"\0", b"\xff" * 40]))


ANYTHING = st.one_of(damaged(), st.binary(max_size=700))


@pytest.mark.parametrize("decode", decoders.ALL.values(), ids=decoders.ALL)
@given(page=ANYTHING)
@settings(max_examples=60, suppress_health_check=[HealthCheck.differing_executors])
def test_a_decoder_answers_or_refuses_whatever_it_is_given(
    decode: Callable[[bytes], object], page: bytes
) -> None:
    """The only error that leaves a decoder is that the page is not to be trusted."""
    decoders.tried(decode, page)


@given(
    route=st.sampled_from(Route),
    pages=st.dictionaries(st.sampled_from(PageName), ANYTHING, max_size=12),
    hwmon=st.one_of(st.none(), st.integers(-(2**40), 2**40)),
)
@settings(max_examples=400)
def test_any_pages_whatever_make_a_reading_that_holds_together(
    route: Route, pages: dict[PageName, bytes], hwmon: int | None
) -> None:
    """Numbers can be true, sources came, and what is missing is no number."""
    raw = RawPages(route, pages, hwmon_celsius=hwmon)

    decoders.check(raw, assemble(raw))


@pytest.mark.parametrize("name", CHECKED)
@given(data=st.data())
@settings(max_examples=60, suppress_health_check=[HealthCheck.differing_executors])
def test_a_page_whose_checksum_is_wrong_gives_what_no_page_gives(
    name: PageName,
    data: Any,  # noqa: ANN401 - hypothesis names no type for it.
) -> None:
    """Not one number, word or self-test more than if it had never come."""
    raw = pages_made.ata_drive(ATA_ERROR_LOG=pages_made.with_sum(bytearray(b"\1" + bytes(511))))
    page = bytearray(raw.pages[name])
    at = data.draw(st.integers(0, 511))
    page[at] = data.draw(st.integers(0, 255).filter(lambda byte: byte != page[at]))

    broken = assemble(RawPages(Route.ATA, {**raw.pages, name: bytes(page)}))
    absent = assemble(RawPages(Route.ATA, {n: p for n, p in raw.pages.items() if n is not name}))
    assert _told(broken) == _told(absent)
    assert name.value in broken.unreported


@pytest.mark.parametrize(
    ("route", "name"), [(route, name) for route, drive in DRIVES.items() for name in drive.pages]
)
@given(share=st.floats(0, 1, exclude_max=True))
@settings(max_examples=30, suppress_health_check=[HealthCheck.differing_executors])
def test_a_page_that_is_cut_short_gives_no_number(
    route: Route, name: PageName, share: float
) -> None:
    """Wherever it is cut: what is left could say "none" where the rest said "many"."""
    raw = DRIVES[route]
    whole = raw.pages[name]
    cut = whole[: int(share * len(whole))]

    broken = assemble(RawPages(route, {**raw.pages, name: cut}))
    assert name not in broken.sources.values()
    assert name.value in broken.unreported


def _told(reading: HealthReading) -> tuple[object, ...]:
    return reading.says, dict(reading.measures), reading.self_tests, reading.warnings


# --- round trips: what the builders put in comes out

COUNT = st.integers(0, 2**32 - 1)
SMALL = st.integers(0, 65_535)


@given(
    serial=st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-", max_size=20),
    model=st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-", max_size=40),
    sectors=st.integers(1, 2**48 - 1),
    rotation=st.integers(0x0401, 0xFFFE),
)
@example(serial="", model="X", sectors=1, rotation=0x0401)
def test_identify_round_trip(serial: str, model: str, sectors: int, rotation: int) -> None:
    """Names with an even and an odd length, sizes of one sector and of 2**48 - 1."""
    found = identify(
        Identify(serial=serial, model=model, sectors=sectors, rotation=rotation).sector()
    )
    assert (found.drive.serial or "", found.drive.model or "") == (serial, model)
    assert (found.sectors, found.drive.rotation) == (sectors, rotation)


@given(moved=SMALL, hours=st.integers(0, 30 * 8766), waiting=COUNT, path=COUNT)
def test_attributes_round_trip(moved: int, hours: int, waiting: int, path: int) -> None:
    """What stands in a row with a settled meaning is what is reported."""
    rows = [Row(5, moved), Row(9, hours), Row(197, waiting), Row(199, path)]
    raw = RawPages(Route.ATA, {PageName.ATA_SMART_DATA: pages_made.smart_data(rows)})

    assert assemble(raw).measures == {
        Measure.MOVED_SECTORS: moved,
        Measure.POWER_ON_HOURS: hours,
        Measure.WAITING_SECTORS: waiting,
        Measure.PATH_ERRORS: path,
    }


@given(values=st.lists(COUNT, min_size=3, max_size=3), celsius=st.integers(-60, 127))
def test_statistics_round_trip(values: list[int], celsius: int) -> None:
    """Counts of 32 bits, and temperatures below zero."""
    moved, loads, waiting = values
    pages = {
        PageName.ATA_STATISTICS_03: pages_made.statistics(3, {24: loads, 32: moved, 56: waiting}),
        PageName.ATA_STATISTICS_05: pages_made.statistics(5, {8: celsius & 0xFF}),
    }

    assert assemble(RawPages(Route.ATA, pages)).measures == {
        Measure.HEAD_LOADS: loads,
        Measure.MOVED_SECTORS: moved,
        Measure.WAITING_SECTORS: waiting,
        Measure.CELSIUS: celsius,
    }


@given(
    tests=st.lists(
        st.builds(Test, st.just(2), st.sampled_from([0x00, 0x10, 0x70]), SMALL, st.integers(1, 9)),
        min_size=1,
        max_size=19,
    )
)
def test_self_test_logs_round_trip(tests: list[Test]) -> None:
    """Both logs tell the same tests, the newest first."""
    older = RawPages(Route.ATA, {PageName.ATA_SELF_TEST_LOG: pages_made.self_test_log(tests)})

    told = assemble(older).self_tests
    assert [test.at_power_on_hours for test in told] == [test.hours for test in reversed(tests)]
    newer = pages_made.extended_self_test_log(tests)
    assert (
        assemble(RawPages(Route.ATA, {PageName.ATA_EXTENDED_SELF_TEST_LOG: newer})).self_tests
        == told
    )


@given(counts=st.lists(st.integers(0, 2**53 - 2), min_size=3, max_size=3))
def test_scsi_counters_round_trip(counts: list[int]) -> None:
    """Counters of eight bytes."""
    pages = {
        name: pages_made.log_page(code, {6: count.to_bytes(8, "big")})
        for name, code, count in zip(
            (PageName.SCSI_LOG_02, PageName.SCSI_LOG_03, PageName.SCSI_LOG_05),
            (2, 3, 5),
            counts,
            strict=True,
        )
    }

    found = assemble(RawPages(Route.SCSI, pages)).measures
    assert [
        found[Measure.UNCORRECTED_WRITES],
        found[Measure.UNCORRECTED_READS],
        found[Measure.UNCORRECTED_VERIFIES],
    ] == counts


@given(errors=st.integers(0, NUMBER_MAX), unsafe=COUNT, kelvin=st.integers(213, 423))
def test_the_nvme_health_log_round_trip(errors: int, unsafe: int, kelvin: int) -> None:
    """Counts up to the largest that the journal holds."""
    page = Health(errors=errors, unsafe=unsafe, kelvin=kelvin).page()

    found = assemble(RawPages(Route.NVME, {PageName.NVME_HEALTH: page})).measures
    assert found[Measure.MEDIA_ERRORS] == errors
    assert found[Measure.UNSAFE_SHUTDOWNS] == unsafe
    assert found[Measure.CELSIUS] == kelvin - 273
