"""What a worker tells in words that a stranger's drive may have chosen."""

from __future__ import annotations

import os

from refreshd.errors import MediumInUseError
from refreshd.messages import MESSAGES, IdentityUnclear, Said, told
from refreshd.simulated.clock import SimulatedClock
from refreshd.worker.speaking import Speaker, StopRequest

HOSTILE = os.fsdecode(b"/dev/sdb1 is mounted on /media/\xff\x1b[2J\rK07")
"""A mount point named by a label that is no UTF-8 and clears a terminal."""

HARMLESS = "/dev/sdb1 is mounted on /media/??[2J?K07"


def heard(speak: str) -> str:
    """Return the line that a speaker wrote."""
    read, write = os.pipe()
    speaker = Speaker(write, SimulatedClock(), StopRequest())
    if speak == "said":
        speaker.said(HOSTILE)
    else:
        speaker.tell(IdentityUnclear(error=told(MediumInUseError(HOSTILE))))
    os.close(write)
    with os.fdopen(read, encoding="utf-8") as lines:
        return lines.readline()


def test_an_error_that_quotes_a_hostile_name_is_told_and_harms_no_terminal() -> None:
    """I8: a name that no UTF-8 can carry must not end the worker before it told its error."""
    message = MESSAGES.validate_json(heard("told"))

    assert isinstance(message, IdentityUnclear)
    assert (message.error.kind, message.error.message) == ("MediumInUseError", HARMLESS)


def test_a_sentence_that_quotes_a_hostile_name_is_said_and_harms_no_terminal() -> None:
    """I8: what a worker says goes to logs, mails and terminals."""
    message = MESSAGES.validate_json(heard("said"))

    assert message == Said(sentence=HARMLESS)


def test_the_lines_of_an_error_and_joined_letters_stay_as_they_are() -> None:
    """Several problems stand on a line each, and a title in Persian is one that can be read."""
    text = "line 2: no\nline 3: \u0645\u06cc\u200c\u0631\u0648\u062f"

    assert told(MediumInUseError(text)).message == text
