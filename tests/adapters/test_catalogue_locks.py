"""Reading a catalogue in one process takes no lock away that another handle of it holds."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from refreshd.adapters.catalogue import SqliteCatalogue

OPEN_AND_CLOSE = (
    "import sys; from pathlib import Path; "
    "from refreshd.adapters.catalogue import SqliteCatalogue; "
    "SqliteCatalogue.for_writing(Path(sys.argv[1])).close()"
)


def test_a_reader_beside_the_service_does_not_let_a_worker_remove_the_log(tmp_path: Path) -> None:
    """
    I5: the write-ahead file stays for as long as the service has the catalogue open.

    A process that closes any handle of a file loses all its POSIX locks on it; the last worker to
    leave would then believe to be alone, and remove the log under the service. Source: fcntl(2);
    sqlite.org/howtocorrupt.html, section 2.2.
    """
    path = tmp_path / "catalogue.sqlite"
    with SqliteCatalogue.for_writing(path) as service:
        assert service.head() is None
        SqliteCatalogue.for_reading(path).close()
        subprocess.run([sys.executable, "-c", OPEN_AND_CLOSE, path], check=True)

        assert path.with_name("catalogue.sqlite-wal").exists()
        assert service.head() is None
