"""Look for bytes that break a decoder of pages, led by which code they reach.

    python tests/fuzz/fuzz_pages.py -runs=1000000 -seed=1 [folder with inputs]

An input is one page for every decoder, and for `assemble`: its first byte chooses who gets the
rest. A checksum is mended half of the time, since no search by chance gets past one. The program
ends with an error, and leaves the input in the current folder, if a decoder falls over or gives
what it should not, see `decoders`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

with atheris.instrument_imports(include=["refreshd.pages"]):
    from refreshd.health_cards import PageName, RawPages, Route
    from tests import pages_made
    from tests.fuzz import decoders

DECODERS = list(decoders.ALL.values())
ROUTES = list(Route)
NAMES = {
    Route.ATA: [name for name in PageName if name.name.startswith(("ATA", "SCSI_VPD_89"))],
    Route.SCSI: [name for name in PageName if name.name.startswith("SCSI")],
    Route.NVME: [name for name in PageName if name.name.startswith("NVME")],
    Route.SILENT: list(PageName),
}
WHOLE = {
    Route.ATA: pages_made.ata_drive(),
    Route.SCSI: pages_made.scsi_drive(),
    Route.NVME: pages_made.nvme_drive(),
    Route.SILENT: RawPages(Route.SILENT),
}
_ASSEMBLE, _MEND = 0x80, 0x40


def one_input(data: bytes) -> None:
    """Give one input to a decoder, or put it in place of one page of a whole answer."""
    if len(data) < 2:
        return
    choice, which, page = data[0], data[1], data[2:]
    if choice & _MEND:
        page = mended(page)
    if choice & _ASSEMBLE:
        route = ROUTES[choice % len(ROUTES)]
        name = NAMES[route][which % len(NAMES[route])]
        whole = WHOLE[route]
        decoders.look_at(RawPages(route, {**whole.pages, name: page}))
    else:
        decoders.tried(DECODERS[which % len(DECODERS)], page)


def mended(page: bytes) -> bytes:
    """Return 512 bytes that add up to 0, with the mark of an integrity word where there is one."""
    return pages_made.with_sum(bytearray(page[:512].ljust(512, b"\0")))


def seeds() -> list[bytes]:
    """Return a whole page for every decoder, and each page of every answer in its place."""
    pages = [page for whole in WHOLE.values() for page in whole.pages.values()]
    found = [bytes((0, at)) + page for at in range(len(DECODERS)) for page in pages]
    for at, route in enumerate(ROUTES):
        for number, name in enumerate(NAMES[route]):
            page = WHOLE[route].pages.get(name, b"")
            found.append(bytes((_ASSEMBLE | at, number)) + page)
    return found


def main() -> None:
    """Write the seeds into the first folder that is named, and search."""
    folders = [Path(word) for word in sys.argv[1:] if not word.startswith("-")]
    for at, seed in enumerate(seeds() if folders else []):
        (folders[0] / f"seed-{at}").write_bytes(seed)
    atheris.Setup([*sys.argv, "-max_len=4200"], one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
