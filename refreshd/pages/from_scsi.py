"""What the pages of a SCSI drive say together."""

from __future__ import annotations

from refreshd.health_cards import Measure, OwnWord, PageName
from refreshd.pages import scsi_identity, scsi_logs
from refreshd.pages.gathering import Gathering
from refreshd.pages.telling import Told

EXPECTED = (Measure.POWER_ON_HOURS, Measure.UNCORRECTED_READS, Measure.CELSIUS)


def told_by_scsi(notes: Gathering) -> Told:
    """Return what a SCSI drive, or a bridge in front of one, says."""
    _identity(notes)
    _temperature(notes)
    for name, counted in scsi_logs.COUNTERS.items():
        found = notes.decoded(name, scsi_logs.counter_decoder(name))
        if found is not None:
            notes.take_all(*found, name)
        elif name in notes.raw.pages:
            notes.refuse_page(name, [measure for _, measure in counted])
    tests = notes.decoded(PageName.SCSI_LOG_10, scsi_logs.self_tests) or ()
    word = notes.decoded(PageName.SCSI_LOG_2F, scsi_logs.exceptions)
    if word is None:
        return Told(OwnWord.NOT_SAID, tests)
    return Told(word.says, tests, (word.warning,) if word.warning else ())


def _identity(notes: Gathering) -> None:
    """Read who it says it is, so that a broken page is told, and whether it turns."""
    notes.decoded(PageName.SCSI_INQUIRY, scsi_identity.inquiry)
    notes.decoded(PageName.SCSI_VPD_80, scsi_identity.unit_serial)
    notes.decoded(PageName.SCSI_VPD_83, scsi_identity.world_wide_name)
    notes.decoded(PageName.SCSI_LOG_00, scsi_logs.pages_offered)
    behind = notes.decoded(PageName.SCSI_VPD_89, scsi_identity.ata_behind)
    rotation = notes.decoded(PageName.SCSI_VPD_B1, scsi_identity.rotation)
    if rotation is not None:
        notes.take_rotation(rotation, PageName.SCSI_VPD_B1)
    if behind is not None:
        notes.take_rotation(behind.drive.rotation, PageName.SCSI_VPD_89)


def _temperature(notes: Gathering) -> None:
    """
    Take the temperature from page 0Dh, else from page 2Fh.

    The first is about temperature alone and has the limit beside it; in the second it is an
    extra that not all drives fill in.
    """
    found = notes.decoded(PageName.SCSI_LOG_0D, scsi_logs.temperatures)
    if found is not None:
        notes.take_all(*found, PageName.SCSI_LOG_0D)
    word = notes.decoded(PageName.SCSI_LOG_2F, scsi_logs.exceptions)
    if word is not None and word.celsius is not None:
        notes.take(Measure.CELSIUS, word.celsius, PageName.SCSI_LOG_2F)
