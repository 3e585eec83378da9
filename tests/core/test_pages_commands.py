"""The commands that ask a drive about itself, byte for byte."""

from __future__ import annotations

import pytest

from refreshd.health_cards import SelfTestKind
from refreshd.pages import commands

ATA = {
    "identify device": (commands.identify_device(), "85080e0000000100000000000000ec00"),
    "smart read data": (commands.smart_read_data(), "85080e00d000010000004f00c200b000"),
    "smart return status": (commands.smart_return_status(), "85062000da00000000004f00c200b000"),
    "short self-test": (
        commands.self_test(SelfTestKind.SHORT),
        "85060000d400000001004f00c200b000",
    ),
    "sct status": (commands.sct_status(), "85080e00d5000100e0004f00c200b000"),
    "check power mode": (commands.check_power_mode(), "8506200000000000000000000000e500"),
    "read log ext": (commands.read_log_ext(0x04, 1), "85090e00000001000400010000002f00"),
}
"""Computed by hand from the layout in SAT and in the kernel's drivers/hwmon/drivetemp.c."""

FROM_MEMORY = {
    "thresholds": (commands.smart_read_thresholds(), "85080e00d100010000004f00c200b000"),
    "summary error log": (commands.summary_error_log(), "85080e00d500010001004f00c200b000"),
    "self-test log": (commands.self_test_log(), "85080e00d500010006004f00c200b000"),
    "extended self-test": (
        commands.self_test(SelfTestKind.EXTENDED),
        "85060000d400000002004f00c200b000",
    ),
    "extended self-test log": (
        commands.extended_self_test_log(),
        "85090e00000001000700000000002f00",
    ),
    "statistics 05h": (commands.device_statistics(5), "85090e00000001000400050000002f00"),
    "page beyond 255": (commands.read_log_ext(0x21, 0x0102), "85090e00000001002101020000002f00"),
    "standby immediate": (commands.standby_immediate(), "8506000000000000000000000000e000"),
    "inquiry": (commands.inquiry(), "120000002400"),
    "inquiry 80h": (commands.inquiry_vpd(0x80), "120180040000"),
    "log sense 0Dh": (commands.log_sense(0x0D), "4d004d00000000100000"),
    "test unit ready": (commands.test_unit_ready(), "000000000000"),
    "request sense": (commands.request_sense(), "03010000fc00"),
    "stop unit": (commands.stop_unit(), "1b0000000000"),
    "background short": (commands.send_diagnostic(SelfTestKind.SHORT), "1d2000000000"),
    "background extended": (commands.send_diagnostic(SelfTestKind.EXTENDED), "1d4000000000"),
}
"""From memory of ACS and SPC: they keep the commands from changing unseen."""


@pytest.mark.parametrize(("found", "wanted"), ATA.values(), ids=ATA)
def test_ata_commands_are_those_of_the_standards(found: bytes, wanted: str) -> None:
    """A byte in the wrong place asks a drive for something else."""
    assert found.hex() == wanted


@pytest.mark.parametrize(("found", "wanted"), FROM_MEMORY.values(), ids=FROM_MEMORY)
def test_the_other_commands_are_as_they_were_written_down(found: bytes, wanted: str) -> None:
    """Written out by hand beside the builders: a slip in one does not hide in the other."""
    assert found.hex() == wanted


def test_the_short_form_keeps_every_low_byte() -> None:
    """Source: SAT, ATA PASS-THROUGH (12): the fields in the same order, one byte each."""
    assert commands.short_form(commands.identify_device()).hex() == "a1080e000100000000ec0000"
    assert commands.short_form(commands.smart_return_status()).hex() == "a10620da00004fc200b00000"


@pytest.mark.parametrize("command", [commands.read_log_ext(4), commands.inquiry(), b""])
def test_what_has_no_short_form_is_refused(command: bytes) -> None:
    """An extended command cut to twelve bytes would ask for another page."""
    with pytest.raises(ValueError, match="no form in 12 bytes"):
        commands.short_form(command)


def test_nvme_health_is_asked_for_as_in_the_specification() -> None:
    """CDW10 for 512 bytes is 007F0002h (computed: double words less one, then the log)."""
    asked = commands.nvme_health()

    assert (asked.opcode, asked.nsid, asked.cdw10) == (0x02, 0xFFFFFFFF, 0x007F0002)
    assert commands.nvme_self_test_log().cdw10 == 0x008C0006
    assert commands.nvme_identify() == commands.AdminCommand(0x06, 0, 0x01, 4096)


def test_nvme_self_tests_are_asked_for_by_number() -> None:
    """Source: NVMe base specification, Device Self-test (from memory)."""
    kinds = (SelfTestKind.SHORT, SelfTestKind.EXTENDED)

    assert [commands.nvme_self_test(kind).cdw10 for kind in kinds] == [1, 2]


@pytest.mark.parametrize(
    "order", [commands.self_test, commands.send_diagnostic, commands.nvme_self_test]
)
def test_no_drive_is_asked_for_a_self_test_that_has_no_name(order: object) -> None:
    """Kinds of test that only a vendor knows may write to the disk."""
    assert callable(order)
    with pytest.raises(ValueError, match="short or an extended"):
        order(SelfTestKind.OTHER)
