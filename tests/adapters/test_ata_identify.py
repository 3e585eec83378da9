"""Asking a drive who it is, past its bridge."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from refreshd.kernel import ata, sg_io
from refreshd.quantities import MIB
from tests import loops


def test_the_header_has_the_layout_of_the_kernel() -> None:
    """Source: Linux include/scsi/sg.h: 88 bytes where a pointer has 8."""
    assert sg_io._HEADER.size == 88


@pytest.mark.root
def test_what_is_no_ata_drive_does_not_answer(tmp_path: Path) -> None:
    """A loop device, or a plain file, has nobody to ask; that is no failure."""
    file = loops.noise_file(tmp_path / "drive.img", MIB)
    with loops.attached(file) as node:
        for path in (node, str(file)):
            fd = os.open(path, os.O_RDONLY)
            try:
                assert ata.identify_sector(fd) is None
            finally:
                os.close(fd)
