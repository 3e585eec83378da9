"""What an ATA drive answers in its registers: whether it is about to fail, and whether it sleeps.

Source: ACS, SMART RETURN STATUS and CHECK POWER MODE (codes of the latter from memory).
"""

from __future__ import annotations

from enum import StrEnum

from refreshd.health_cards import OwnWord
from refreshd.pages.octets import BadPageError
from refreshd.pages.sense import Key, Registers, registers_of, sense_of

_EARLIER = frozenset({0x71, 0x73})
"""Response codes of sense data about a command before the last. Source: SPC."""

_ERROR, _FAULT, _READY = 0x01, 0x20, 0x40
_SAYS = {(0x4F, 0xC2): OwnWord.PASSING, (0xF4, 0x2C): OwnWord.FAILING}
"""By LBA mid and high."""


def smart_status(sense: bytes) -> OwnWord:
    """
    Return what a drive answered to SMART RETURN STATUS: passing or failing.

    Raises:
        BadPageError: It did not say: no registers came, or others than the two answers there
            are; some bridges leave zeros, or half of what was sent.

    """
    registers = _registers(sense)
    answer = (registers.lba_mid, registers.lba_high)
    if answer not in _SAYS:
        raise BadPageError(f"the drive said neither yes nor no ({bytes(answer).hex().upper()}h)")
    return _SAYS[answer]


class Power(StrEnum):
    """Whether a drive stands still."""

    ASLEEP = "asleep"
    AWAKE = "awake"
    NOT_SAID = "not said"


_STANDBY = frozenset({0x00, 0x01})
_AWAKE = frozenset({0x80, 0x81, 0x82, 0x83, 0xFF})


def ata_power(sense: bytes) -> Power:
    """Return what a drive answered to CHECK POWER MODE."""
    try:
        count = _registers(sense).count
    except BadPageError:
        return Power.NOT_SAID
    if count in _STANDBY:
        return Power.ASLEEP
    return Power.AWAKE if count in _AWAKE else Power.NOT_SAID


def _registers(sense: bytes) -> Registers:
    """Return the registers that a command left which was carried out."""
    told = sense_of(sense)
    if told is None or sense[0] & 0x7F in _EARLIER:
        raise BadPageError("no sense data about this command came, or it is cut short")
    if told.key not in {Key.NO_SENSE, Key.RECOVERED}:
        raise BadPageError(f"the command was not carried out: {told.words}")
    found = registers_of(sense)
    if found is None:
        raise BadPageError("the registers of the drive did not come back")
    if found.status & (_ERROR | _FAULT | _READY) != _READY:
        # Else a bridge that fills in zeros would say that the drive stands still.
        raise BadPageError(f"the command ended with status {found.status:02X}h")
    return found


_LOW_POWER = 0x5E
_STANDBY_CONDITIONS = frozenset({0x02, 0x04, 0x09, 0x0A, 0x43, 0x45})
"""Standby by a timer or by command, standby_y likewise, changed to standby, to sleep; 03h, 05h to
08h are idle, in which the medium turns."""

_STOPPED = (0x04, 0x02)


def scsi_power(sense: bytes) -> Power:
    """
    Return what the sense data of TEST UNIT READY, or of REQUEST SENSE, says of a SCSI drive.

    Source: SPC, ASC 5Eh for low power conditions, 04h/02h for a unit that is stopped (from
    memory, as are the qualifiers that mean standby).
    """
    told = sense_of(sense)
    if told is None or told.key not in {Key.NO_SENSE, Key.NOT_READY}:
        return Power.NOT_SAID
    if told.key == Key.NOT_READY:
        is_stopped = (told.code, told.qualifier) == _STOPPED
        return Power.ASLEEP if is_stopped else Power.NOT_SAID
    if told.code == _LOW_POWER and told.qualifier in _STANDBY_CONDITIONS:
        return Power.ASLEEP
    return Power.AWAKE
