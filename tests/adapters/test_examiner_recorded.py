"""Pages that the parts of a virtual machine gave, byte for byte, asked again and read again.

Recorded 2026-11-25 by this very adapter in a Debian 12 guest, Linux 6.1, QEMU 7.2. Each is
compressed (zlib) and in base64. None is of a drive with platters or cells: what they prove is that
other people's code, too, lays the pages out as the decoders and the commands expect.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Mapping

from refreshd.adapters.examiner.nvme import NvmeExaminer
from refreshd.adapters.examiner.scsi_disk import ScsiExaminer
from refreshd.health_cards import Measure, OwnWord, PageName, RawPages, Route, Vital
from refreshd.kernel.nvme import Done
from refreshd.pages import assemble, commands
from tests.fakes.asked_disk import ata_disk, scsi_disk
from tests.fakes.asked_nvme import AskedNvme, ToldBySomebody

SCSI_DEBUG = {
    PageName("scsi inquiry"): "eNpjYGBnimYQ4PLJzCutUFBQKE4uzoxPSU0qTVcAAwNDS0MAlGEIkg==",
    PageName("scsi log 00h"): "eNpjYGBgZuDVBwAAXABA",
    PageName("scsi vpd 80h"): "eNpjaGBgNTYyMDAAAAcOAXs=",
    PageName("scsi vpd 83h"): (
        "eNpjaGYoZGJkkPXJzCutUFBQKE4uzoxPSU0qTVcAA2MjAwMDRmYGDmNjYwMGhlqGxCkMLAwMDIyJkxk4jJSU"
        "FBgYav4lTgWJCTAkLoaL/U1ewSCRl5ioZ2wEBgYgYO7s5gLUywAA4TsYow=="
    ),
    PageName("scsi vpd 89h"): (
        "eNpj6GSyYACCnMy80goFBYVgxxCF4uTizPiU1KTSdAUFQyNjExOgPCMDBMDoN0AcxfPf3vyEAJhvDxWPgAIF"
        "JAAUdmBh0DO2MATxQoItjA0MjA2DHRXwAoEGoD59IGZiYGJn+P+fEWjHwf92DAKMG34EcDIwsDMwM1QA4Qcg"
        "RgVMULqOQZoh24Sxltkh04TRhtmh3gEk+u8fWPIfQj3EPNIBI1gnCCsoMDFsc2Jo6GJgs+Gy+f//GDtQkuMD"
        "P4MAE4MBVDXbP5DLAhi6GPynMjAoMnAzDG2wNBAAr9U6oA=="
    ),
    PageName("scsi vpd B1h"): "eNpj2Mhgw8DIwMpAJgAAO3MA9A==",
    PageName("scsi log 0Dh"): "eNrjZWDgYWBgZmJQY2AEko4AAw4AjA==",
    PageName("scsi log 2Fh"): "eNrTZ2BgZ2BgZmZgUAMAAokAYw==",
}
"""The kernel's own invented SCSI disk: module scsi_debug."""

SATA = {
    PageName("ata identify device"): (
        "eNpzYGhiYGAQYGCoY2CyZ4AAx2DHEAMDQwMFJMDMwMDEwqBnpG0K4jk7uvo6KjgHeXq4hpkoKIQo4AACDYwM"
        "DNxAI5kYmNiBNgkw2DM8+M/IIMAIEmIHQmaGCihkcGCAA3kGBkYI6wODGIOiA0MJgyOQNGFwtFeAqWFMYEAB"
        "TAgmSCaA4SjcELoCWtspIUpN0wB4GRhZ"
    ),
    PageName("ata smart data"): (
        "eNpjZGBkZkhJYYAAZhBbAMJmYQKyoRKsSGo4QWxGCJsHSXwfM4OrqzyDvDzDKMAGmhgUGBkkmRkYGZjMGAeL"
        "o9gAWGMIAQ=="
    ),
    PageName("ata smart thresholds"): "eNpjZGBkY4ADZgSTgUUEwWZVQbA5kdTwILH3GTGMgqEG1gMAUZUCAQ==",
    PageName("ata smart return status"): "eNorYmSQZWBg4OPkYYAAf4ZDDAEAEisCFQ==",
}
"""QEMU's SATA disk, ide-hd on AHCI; serial, model and world-wide name are invented."""

NVME = {
    PageName("nvme identify controller"): (
        "eNozk/4i5Rfm62pgYGCogAQCXX1DFYASqQrOJUU5CjiBuZ6RnpGRggIbQ0gQAzsDAwMLIwMcgJgNDMiAkWGQ"
        "AS5GZmZmkLsZwhlLB53raA/SXCCxEgvyOztMlJlhpARFXmGenpGBoaWugYVeflG6XmFqbqkVLEMwjIJRMApG"
        "wfAFRzgZGARA1fZoUIyCUTAKRsEoGAUjBgAAZhsaZA=="
    ),
    PageName("nvme health log"): "eNpjcGZkwAeYGfADY4ZRMJQBAOibAHs=",
}
"""QEMU's NVMe drive, which is told nothing and reports 323 K."""


def recorded(pages: Mapping[PageName, str]) -> dict[PageName, bytes]:
    """Return pages as they came."""
    return {name: zlib.decompress(base64.b64decode(page)) for name, page in pages.items()}


def test_the_kernels_invented_scsi_disk_is_read() -> None:
    """Six pages of other people's making, among them a list of logs and a temperature."""
    pages = recorded(SCSI_DEBUG)
    examiner = ScsiExaminer(scsi_disk(RawPages(Route.SCSI, pages)))
    found = examiner.read()
    reading = assemble(found)

    assert found.pages == pages
    assert reading.says is OwnWord.PASSING
    assert reading.measures[Measure.CELSIUS] == 38
    assert reading.measures[Measure.CELSIUS_LIMIT] == 65
    assert examiner.vital() == Vital(38, OwnWord.PASSING)


def test_a_sata_disk_behind_libata_is_read() -> None:
    """Its own word comes back in the kernel's descriptor; it lists neither logs nor SCT."""
    pages = recorded(SATA)
    examiner = ScsiExaminer(ata_disk(RawPages(Route.ATA, pages)))
    found = examiner.read()
    reading = assemble(found)

    assert found.pages == pages
    assert reading.says is OwnWord.PASSING
    assert reading.measures[Measure.ROTATIONS_PER_MINUTE] == 5400
    assert examiner.vital() == Vital(31, OwnWord.PASSING)


def test_an_nvme_drive_is_read() -> None:
    """323 K are 50 °C by whole numbers; it lists no self-tests."""
    pages = recorded(NVME)
    drive = AskedNvme(
        {
            commands.nvme_identify(): Done(pages[PageName.NVME_IDENTIFY]),
            commands.nvme_health(): Done(pages[PageName.NVME_HEALTH]),
        }
    )
    examiner = NvmeExaminer(drive, ToldBySomebody())

    assert examiner.read().pages == pages
    assert examiner.vital() == Vital(50, OwnWord.PASSING)
