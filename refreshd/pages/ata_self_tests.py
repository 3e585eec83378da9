"""The self-test logs of ATA drives: SMART log 06h, and log 07h for large drives.

Source: drive manuals that print both layouts. Which test number is which from memory of ACS.
"""

from __future__ import annotations

from refreshd.health_cards import SelfTest, SelfTestKind, SelfTestOutcome
from refreshd.pages.ata_smart import READ_FAILED, failed_part, outcome, percent_left
from refreshd.pages.octets import BadPageError, little, summed

_KINDS = {
    0x01: SelfTestKind.SHORT,
    0x02: SelfTestKind.EXTENDED,
    0x81: SelfTestKind.SHORT,
    0x82: SelfTestKind.EXTENDED,
}
"""Off-line, and captive, in which the drive answers nothing else meanwhile."""

_ROWS, _ROW_BYTES, _ROWS_AT, _INDEX_AT, _LBA_BYTES = 21, 24, 2, 508, 4
_EXT_ROWS, _EXT_ROW_BYTES, _EXT_ROWS_AT, _EXT_INDEX_AT, _EXT_LBA_BYTES = 19, 26, 4, 2, 6
_LBA_AT = 5


def self_test_log(page: bytes) -> tuple[SelfTest, ...]:
    """
    Return the tests of SMART log 06h, the newest first.

    Raises:
        BadPageError: It is no whole sector, its checksum is wrong, or its index names no row.

    """
    rows = _rows(summed(page), _ROWS, _ROW_BYTES, _ROWS_AT)
    newest = page[_INDEX_AT]
    if newest > _ROWS:
        raise BadPageError(f"its newest test would be number {newest} of {_ROWS}")
    return _told(rows, newest, _LBA_BYTES) if newest else ()


def extended_self_test_log(page: bytes) -> tuple[SelfTest, ...]:
    """
    Return the tests of the first page of log 07h, the newest first.

    The index is read as counting from 1, with 0 for an empty log, as drives do that print
    "1 to 19". Some manuals count from 0: the row is taken for the newest to which that points
    where the other reading points to an empty row, or to a row that is older.

    Raises:
        BadPageError: It is no whole sector, its checksum is wrong, or its index names no row of
            this page.

    """
    rows = _rows(summed(page), _EXT_ROWS, _EXT_ROW_BYTES, _EXT_ROWS_AT)
    index = little(page, _EXT_INDEX_AT, 2)
    if index > _EXT_ROWS:
        raise BadPageError(f"its newest test would be number {index} of {_EXT_ROWS}")
    if index < _EXT_ROWS and any(rows[index]) and _is_newer(rows[index], rows[index - 1], index):
        index += 1
    return _told(rows, index, _EXT_LBA_BYTES) if index else ()


def _is_newer(from_zero: bytes, from_one: bytes, index: int) -> bool:
    """Say whether the row counted from 0 is newer than the one counted from 1."""
    if not index or not any(from_one):
        return True
    return little(from_zero, 2, 2) > little(from_one, 2, 2)


def _rows(page: bytes, count: int, size: int, start: int) -> list[bytes]:
    return [page[at : at + size] for at in range(start, start + count * size, size)]


def _told(rows: list[bytes], newest: int, lba_bytes: int) -> tuple[SelfTest, ...]:
    """Return the rows in use, from the newest back around; it is counted from 1."""
    turned = [*reversed(rows[:newest]), *reversed(rows[newest:])]
    return tuple(_self_test(row, lba_bytes) for row in turned if any(row))


def _self_test(row: bytes, lba_bytes: int) -> SelfTest:
    status = row[1]
    return SelfTest(
        kind=_KINDS.get(row[0], SelfTestKind.OTHER),
        outcome=outcome(status),
        at_power_on_hours=little(row, 2, 2),
        first_bad_sector=_first_bad(row, lba_bytes),
        failed_part=failed_part(status),
        percent_left=percent_left(status),
    )


def _first_bad(row: bytes, lba_bytes: int) -> int | None:
    """Return the sector at which a read failed; all bits set, or none, stand for "not known"."""
    lba = little(row, _LBA_AT, lba_bytes)
    is_said = row[1] >> 4 == READ_FAILED and lba not in {0, (1 << 8 * lba_bytes) - 1}
    return lba if is_said else None


def under_way(status: int) -> SelfTest | None:
    """Return the self-test that SMART READ DATA says is running; None: none is."""
    if outcome(status) is not SelfTestOutcome.UNDER_WAY:
        return None
    return SelfTest(
        SelfTestKind.OTHER, SelfTestOutcome.UNDER_WAY, percent_left=percent_left(status)
    )


def last_failed(status: int) -> SelfTest | None:
    """Return the last self-test where SMART READ DATA says that it failed; of no known kind."""
    if outcome(status) is not SelfTestOutcome.FAILED:
        return None
    return SelfTest(SelfTestKind.OTHER, SelfTestOutcome.FAILED, failed_part=failed_part(status))
