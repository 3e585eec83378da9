"""The catalogue as a file: made, opened, checked, brought up, refused."""

from __future__ import annotations

import gzip
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import event

from refreshd.adapters.catalogue import SqliteCatalogue
from refreshd.adapters.catalogue.connections import connect
from refreshd.adapters.catalogue.opening import (
    VERSIONS,
    Versions,
    open_for_reading,
    open_for_writing,
)
from refreshd.adapters.catalogue.tables import APPLICATION_ID, metadata
from refreshd.cards import LastRewrite
from refreshd.errors import (
    CatalogueDamagedError,
    CatalogueError,
    CatalogueTooNewError,
    RecordFailedError,
)
from refreshd.health_cards import Verdict
from refreshd.quantities import DriveNumber, PassKind
from refreshd.register import ROW_CHUNKS
from tests.benchmarks.catalogue import LARGE_BYTES, build
from tests.builders import (
    CHUNK_BYTES,
    K07,
    Scribe,
    arrived,
    begun,
    issued,
    opened,
    proved,
    some_digests,
    taken_in,
)
from tests.health_builders import health_read, proving_begun, watched
from tests.loops import need

LARGE_CHUNKS = -(-LARGE_BYTES // CHUNK_BYTES)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return where the catalogue is to lie."""
    return tmp_path / "state" / "catalogue.sqlite"


@pytest.fixture
def filled(path: Path) -> Path:
    """Return a closed catalogue with one drive, a refresh under way and a finding."""
    path.parent.mkdir()
    refresh = begun(2, PassKind.REFRESH)
    with SqliteCatalogue.for_writing(path) as catalogue:
        events = [*taken_in(3000), refresh, proved(refresh, 0, 16, date(2026, 4, 2)), opened(1, 9)]
        catalogue.apply(Scribe().entries(*events))
    return path


def asked(path: Path, question: str) -> object:
    """Ask SQLite itself."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(question).fetchone()[0]


def changed(path: Path, *statements: str) -> None:
    """Change the file behind the program's back."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement)


# --- Durable, and known as ours


def test_every_connection_for_writing_makes_commits_durable(path: Path) -> None:
    """I5: WAL with synchronous=FULL syncs before a commit is acknowledged."""
    path.parent.mkdir()
    file = open_for_writing(path)
    with file.engine.connect() as first, file.engine.connect() as second:
        for connection in (first, second):
            answers = [
                connection.exec_driver_sql(f"PRAGMA {pragma}").scalar_one()
                for pragma in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
            ]

            assert answers == ["wal", 2, 1, 30_000]
    file.close()


def test_each_acknowledged_transaction_was_synced(path: Path) -> None:
    """I5: as the kernel saw it, each apply ends in a sync of the write-ahead file."""
    path.parent.mkdir()
    program = (
        "import os, sys; from pathlib import Path; from tests.builders import *;"
        "from refreshd.adapters.catalogue import SqliteCatalogue;"
        "c = SqliteCatalogue.for_writing(Path(sys.argv[1])); s = Scribe();"
        "c.apply(s.entries(*taken_in(3)));"
        "[(os.write(1, b'begin %d' % n), c.apply(s.entries(opened(n, 1))),"
        "  os.write(1, b'end %d' % n)) for n in range(1, 6)]; c.close()"
    )
    need("strace")
    trace = path.parent / "trace"
    words = ["strace", "-f", "-y", "-e", "trace=fdatasync,fsync,write", "-o", str(trace)]
    subprocess.run(
        [*words, sys.executable, "-c", program, str(path)], check=True, stdout=subprocess.DEVNULL
    )
    lines = trace.read_text().splitlines()
    for number in range(1, 6):
        start = next(at for at, line in enumerate(lines) if f'"begin {number}' in line)
        stop = next(at for at, line in enumerate(lines) if f'"end {number}' in line)

        assert any("sync" in line and "-wal>" in line for line in lines[start:stop])


def test_the_header_of_a_log_begun_anew_is_synced_first(path: Path) -> None:
    """I5: otherwise a cut could leave a prefix of older transactions over newer pages.

    The log is begun anew when all of it is in the database file; a torn log under its old header
    would be played back in part, and take the pages of an acknowledged transaction away.
    """
    path.parent.mkdir()
    program = (
        "import sys; from pathlib import Path; from tests.builders import *;"
        "from refreshd.adapters.catalogue import SqliteCatalogue;"
        "from refreshd.adapters.catalogue.opening import open_for_writing;"
        "f = open_for_writing(Path(sys.argv[1])); c = f.engine.connect();"
        "c.exec_driver_sql('PRAGMA wal_autocheckpoint = 1'); c.close();"
        "c = SqliteCatalogue(Path(sys.argv[1]), f); s = Scribe(); c.apply(s.entries(*taken_in(3)));"
        "[c.apply(s.entries(opened(n, 1))) for n in range(1, 6)]; c.close()"
    )
    need("strace")
    trace = path.parent / "trace"
    words = ["strace", "-f", "-y", "-e", "trace=pwrite64,fdatasync,fsync", "-o", str(trace)]
    subprocess.run([*words, sys.executable, "-c", program, str(path)], check=True)
    calls = [line for line in trace.read_text().splitlines() if f"{path.name}-wal>" in line]
    headers = [at for at, line in enumerate(calls) if line.endswith(", 32, 0) = 32")]

    assert len(headers) > 3
    assert all("sync" in calls[at + 1] for at in headers)


def test_the_file_says_whose_it_is(filled: Path) -> None:
    """Another program's file is never taken for a catalogue."""
    assert asked(filled, "PRAGMA application_id") == APPLICATION_ID


def test_a_closed_catalogue_is_one_file(filled: Path) -> None:
    """Whoever copies the closed catalogue by hand needs to know of one file only."""
    assert [file.name for file in filled.parent.iterdir()] == ["catalogue.sqlite"]


def test_what_was_recorded_is_there_after_opening_again(filled: Path) -> None:
    """I6: a pass goes on from its last checkpoint after a restart."""
    with SqliteCatalogue.for_writing(filled) as catalogue:
        state = catalogue.unfinished_pass(K07, PassKind.REFRESH)

        assert state is not None
        assert state.next_chunk == 16
        assert catalogue.digests(K07, 0, 3000) == some_digests(3000)


def test_the_migrations_make_the_tables_that_the_program_uses(filled: Path) -> None:
    """A column that exists in one of the two only would fail years later, at an owner's."""
    file = open_for_writing(filled)
    with file.engine.connect() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), metadata)
    file.close()

    assert differences == []


def test_opening_does_not_import_alembic(filled: Path) -> None:
    """Every verb opens the catalogue; only a migration may cost the time of that import."""
    program = (
        "import sys; from pathlib import Path; from refreshd.adapters.catalogue import *;"
        "SqliteCatalogue.for_writing(Path(sys.argv[1])).close();"
        "SqliteCatalogue.for_reading(Path(sys.argv[1])).close();"
        "sys.exit('alembic' in sys.modules)"
    )

    assert subprocess.run([sys.executable, "-c", program, str(filled)], check=False).returncode == 0


def test_a_cut_while_the_file_is_made_leaves_none(path: Path) -> None:
    """I6: what is left of an unfinished file is thrown away, with its write-ahead file."""
    path.parent.mkdir()
    for ending in ("", "-wal", "-shm"):
        (path.parent / f"{path.name}.unfinished{ending}").write_bytes(b"half a page")
    with SqliteCatalogue.for_writing(path) as catalogue:
        assert catalogue.head() is None
    assert [file.name for file in path.parent.iterdir()] == ["catalogue.sqlite"]


# --- Refused


def test_an_empty_file_is_damage(path: Path) -> None:
    """A catalogue is made whole or not at all, so an empty one was emptied."""
    path.parent.mkdir()
    path.touch()
    for open_it in (SqliteCatalogue.for_writing, SqliteCatalogue.for_reading):
        with pytest.raises(CatalogueDamagedError, match="does not begin"):
            open_it(path)


def test_garbage_is_damage(filled: Path) -> None:
    """What is no SQLite file is refused by name, with both ways out."""
    filled.write_bytes(b"\xa5" * 8192)
    with pytest.raises(CatalogueDamagedError, match=r"catalogue\.sqlite.*exported copy.*journal"):
        SqliteCatalogue.for_writing(filled)


@pytest.mark.parametrize("kept", [0.3, 0.6, 0.99])
def test_a_truncated_file_is_damage(filled: Path, kept: float) -> None:
    """A file that lost its end is refused, for reading and for writing."""
    os.truncate(filled, int(filled.stat().st_size * kept) // 512 * 512)
    for open_it in (SqliteCatalogue.for_reading, SqliteCatalogue.for_writing):
        with pytest.raises(CatalogueDamagedError):
            open_it(filled)


def test_a_file_of_another_program_is_refused_and_left_alone(path: Path) -> None:
    """A wrong path must not turn somebody's file into a catalogue."""
    path.parent.mkdir()
    changed(path, "CREATE TABLE recipes (name TEXT)")
    before = path.read_bytes()
    for open_it in (SqliteCatalogue.for_writing, SqliteCatalogue.for_reading):
        with pytest.raises(CatalogueDamagedError, match="no catalogue of refreshd"):
            open_it(path)

    assert path.read_bytes() == before


def test_pages_that_contradict_each_other_are_damage(filled: Path) -> None:
    """quick_check at opening finds a page that was overwritten."""
    pages = filled.stat().st_size // 4096
    refused = 0
    for page in range(1, pages):
        copy = filled.with_name(f"page-{page}.sqlite")
        content = bytearray(filled.read_bytes())
        content[page * 4096 : page * 4096 + 100] = b"\xff" * 100
        copy.write_bytes(content)
        try:
            with SqliteCatalogue.for_writing(copy) as catalogue:
                catalogue.digests(K07, 0, 3000)
                catalogue.written_days(K07, 0, 3000)
        except CatalogueDamagedError:
            refused += 1

    assert refused == pages - 1


def test_a_count_of_days_that_rotted_is_damage(filled: Path) -> None:
    """I4: the date of the drive is read from it alone, so that rot must not make it newer."""
    changed(filled, "UPDATE day_counts SET packed = CAST(x'00000008' || substr(packed, 5) AS BLOB)")
    with SqliteCatalogue.for_reading(filled) as catalogue:
        for ask in (catalogue.shelf_rows, lambda: catalogue.oldest_written(K07)):
            with pytest.raises(CatalogueDamagedError, match="counted days of K07"):
                ask()


@pytest.mark.parametrize("table", ["digest_rows", "day_rows"])
def test_a_bit_that_rotted_in_a_register_is_damage(filled: Path, table: str) -> None:
    """I4: a date that rot made newer is refused, not believed; SQLite would not notice."""
    with closing(sqlite3.connect(filled, isolation_level=None)) as connection:
        held = connection.execute(f"SELECT packed FROM {table}").fetchone()[0]  # noqa: S608
        rotten = bytes([held[0] ^ 4]) + held[1:]
        connection.execute(f"UPDATE {table} SET packed = ? WHERE row = 0", (rotten,))  # noqa: S608
    with SqliteCatalogue.for_reading(filled) as catalogue:
        read = {"digest_rows": catalogue.digests, "day_rows": catalogue.written_days}[table]
        with pytest.raises(CatalogueDamagedError, match=f"row 0 of {table} for K07"):
            read(K07, 0, 16)


def test_a_catalogue_without_a_table_is_damage(filled: Path) -> None:
    """A file that somebody edited is refused before anything relies on it."""
    changed(filled, "DROP TABLE findings")
    for open_it in (SqliteCatalogue.for_writing, SqliteCatalogue.for_reading):
        with pytest.raises(CatalogueDamagedError, match="lacks findings"):
            open_it(filled)


def test_a_catalogue_of_a_newer_version_is_refused_and_left_alone(filled: Path) -> None:
    """An old program would drop what it does not know."""
    changed(filled, "UPDATE alembic_version SET version_num = '0977'")
    before = filled.read_bytes()
    for open_it in (SqliteCatalogue.for_writing, SqliteCatalogue.for_reading):
        with pytest.raises(
            CatalogueTooNewError, match=rf"version 0977.*knows up to {VERSIONS.newest}"
        ):
            open_it(filled)

    assert filled.read_bytes() == before


def test_a_full_disk_keeps_the_transaction_out(filled: Path) -> None:
    """I6: when there is no room the record fails, and goes in once there is room again."""
    file = open_for_writing(filled)
    with file.engine.connect() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar_one()

    @event.listens_for(file.engine, "connect")
    @event.listens_for(file.engine, "checkout")
    def _limit(dbapi: sqlite3.Connection, *_: object) -> None:
        dbapi.execute(f"PRAGMA max_page_count = {limit[0]}")

    limit = [used]
    catalogue = SqliteCatalogue(filled, file)
    head = catalogue.head()
    assert head is not None
    scribe = _scribe_after(head)
    long_note = opened(2, 5).model_copy(update={"note": "x" * 200_000})
    with pytest.raises(RecordFailedError, match="disk is full"):
        catalogue.apply(scribe.fork().entries(long_note))

    assert catalogue.head() == head

    limit[0] = used + 1000
    catalogue.apply(scribe.entries(long_note))

    assert len(catalogue.findings()) == 2
    catalogue.close()


def _scribe_after(head: tuple[int, str]) -> Scribe:
    scribe = Scribe()
    scribe._sequence, scribe._previous = head
    return scribe


def test_another_writer_is_waited_for_and_then_named(
    filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lock that somebody keeps is no damage."""
    monkeypatch.setattr("refreshd.adapters.catalogue.connections.BUSY_TIMEOUT_S", 0.01)
    with (
        SqliteCatalogue.for_writing(filled) as catalogue,
        closing(sqlite3.connect(filled, isolation_level=None)) as other,
    ):
        other.execute("BEGIN IMMEDIATE")
        head = catalogue.head()
        assert head is not None
        with pytest.raises(RecordFailedError, match="keeps it locked"):
            catalogue.apply(_scribe_after(head).entries(opened(2, 5)))


def test_a_reader_sees_one_moment_while_another_process_records(filled: Path) -> None:
    """A list that is read while a pass records is the list of one moment."""
    with (
        SqliteCatalogue.for_writing(filled) as catalogue,
        SqliteCatalogue.for_reading(filled) as reader,
    ):
        head = catalogue.head()
        assert head is not None
        catalogue.apply(_scribe_after(head).entries(opened(2, 5)))

        assert len(reader.findings()) == 2


# --- Reading without the right to write


def test_reading_where_there_is_no_catalogue_makes_none(path: Path) -> None:
    """A list of an empty shelf leaves no trace."""
    path.parent.mkdir()
    with SqliteCatalogue.for_reading(path) as catalogue:
        assert catalogue.drives() == ()
        assert catalogue.head() is None

    assert list(path.parent.iterdir()) == []


def test_a_reading_catalogue_cannot_be_written(filled: Path) -> None:
    """A reading verb that tries to record is a fault that must show."""
    with SqliteCatalogue.for_reading(filled) as catalogue:
        head = catalogue.head()
        assert head is not None
        with pytest.raises(RecordFailedError, match="may not be written"):
            catalogue.apply(_scribe_after(head).entries(opened(2, 5)))


READER = """
import os, sys
from pathlib import Path
from refreshd.adapters.catalogue import SqliteCatalogue

SqliteCatalogue.for_reading(Path("/nowhere/catalogue")).drives()  # imports what is needed
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
assert not os.access(Path(sys.argv[1]).parent, os.W_OK)
with SqliteCatalogue.for_reading(Path(sys.argv[1])) as catalogue:
    held = catalogue.oldest_written("K07").held_chunks
    print(catalogue.head()[0], len(catalogue.findings()), held)
"""


def _read_as_nobody(path: Path) -> str:
    """Read the catalogue in a process that may not write to its directory."""
    path.parent.chmod(0o555)
    words = [sys.executable, "-B", "-c", READER, str(path)]
    done = subprocess.run(words, check=False, capture_output=True, text=True)
    path.parent.chmod(0o755)

    assert done.stderr == ""
    return done.stdout


@pytest.fixture
def shown(filled: Path) -> Iterator[Path]:
    """Return a closed catalogue where everybody may look but not write."""
    with tempfile.TemporaryDirectory(prefix="refreshd-test-") as room:
        Path(room).chmod(0o755)
        copy = Path(room) / filled.name
        shutil.copyfile(filled, copy)
        copy.chmod(0o444)
        yield copy


def test_a_closed_catalogue_is_read_without_the_right_to_write(shown: Path) -> None:
    """The shelf can be listed by a user who may change nothing, and from a read-only disk."""
    assert _read_as_nobody(shown) == "7 1 1\n"
    assert [file.name for file in shown.parent.iterdir()] == [shown.name]


def test_a_catalogue_in_use_is_read_without_the_right_to_write(shown: Path) -> None:
    """The list is right also while the service has just recorded something."""
    shown.chmod(0o644)
    with SqliteCatalogue.for_writing(shown) as catalogue:
        head = catalogue.head()
        assert head is not None
        catalogue.apply(_scribe_after(head).entries(opened(2, 5)))

        assert _read_as_nobody(shown) == "8 2 2\n"


def test_what_a_power_cut_left_is_read_without_the_right_to_write(shown: Path) -> None:
    """I7: the disk of a dead server is read as it is, with what its write-ahead file holds."""
    wal = shown.with_name(f"{shown.name}-wal")
    shown.chmod(0o644)
    with SqliteCatalogue.for_writing(shown) as catalogue:
        head = catalogue.head()
        assert head is not None
        catalogue.apply(_scribe_after(head).entries(opened(2, 5)))
        content, logged = shown.read_bytes(), wal.read_bytes()
    shown.write_bytes(content)
    wal.write_bytes(logged)
    before = sorted(file.name for file in shown.parent.iterdir())

    assert _read_as_nobody(shown) == "8 2 2\n"
    assert sorted(file.name for file in shown.parent.iterdir()) == before
    assert wal.read_bytes() == logged


def test_a_file_that_changes_while_it_is_read_is_said_so(
    shown: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where SQLite was told that nobody writes, a writer must not go unnoticed."""
    hidden = shown.with_name("no such catalogue")

    def no_plain_way(path: Path, parameters: str) -> sqlite3.Connection:
        return connect(hidden if parameters == "mode=ro" else path, parameters)

    monkeypatch.setattr("refreshd.adapters.catalogue.connections.connect", no_plain_way)
    with SqliteCatalogue.for_reading(shown) as catalogue:
        assert len(catalogue.findings()) == 1
        os.utime(shown, ns=(1, 1))
        with pytest.raises(CatalogueError, match="changed while it was read"):
            catalogue.findings()


def test_the_whole_shelf_is_asked_for_in_four_queries(path: Path) -> None:
    """Cards come with their health, however many drives there are and however often read."""
    path.parent.mkdir()
    asked_for: dict[int, int] = {}
    with SqliteCatalogue.for_writing(path) as catalogue:
        scribe = Scribe()
        statements: list[str] = []
        engine = catalogue._opened.engine
        event.listen(engine, "before_cursor_execute", lambda *told: statements.append(told[2]))
        for count in (1, 12):
            for serial in range(len(catalogue.drives()), count):
                number = DriveNumber(f"K{serial}")
                read = [health_read(Verdict.WATCH, number), health_read(Verdict.FIT, number)]
                catalogue.apply(scribe.entries(*taken_in(3, number), *read))
            statements.clear()
            rows = catalogue.shelf_rows()
            asked_for[len(rows)] = sum(one.startswith("SELECT") for one in statements)

            assert all(row.card.health is not None for row in rows)
    assert asked_for == {1: 4, 12: 4}


# --- Brought up from an older version

_NEXT = """
import sqlalchemy as sa
from alembic import op

revision = "{next}"
down_revision = "{newest}"


def upgrade() -> None:
    op.add_column("drives", sa.Column("humidity", sa.Integer))
    op.create_table("visits", sa.Column("id", sa.Integer, primary_key=True))
    {fault}
"""


def _next_version(room: Path, fault: str = "") -> Versions:
    """Return the versions of a program that knows one more."""
    directory = room / "migrations with 100 % more"
    shutil.copytree(VERSIONS.directory, directory)
    following = f"{len(VERSIONS.known) + 1:04}"
    text = _NEXT.format(next=following, newest=VERSIONS.newest, fault=fault)
    (directory / "versions" / f"v{following}_next.py").write_text(text)
    return Versions((*VERSIONS.known, following), directory)


def test_an_older_catalogue_is_brought_up_and_a_copy_kept(filled: Path, tmp_path: Path) -> None:
    """I6: whatever a migration does, the file as it was is still there."""
    versions = _next_version(tmp_path)
    open_for_writing(filled, versions).close()

    assert asked(filled, "SELECT version_num FROM alembic_version") == versions.newest
    assert asked(filled, "SELECT title FROM drives WHERE humidity IS NULL") is not None
    kept = filled.with_name(f"catalogue.sqlite.version-{VERSIONS.newest}")
    with SqliteCatalogue.for_reading(kept) as before:
        assert len(before.findings()) == 1


def _of_version(version: str, path: Path) -> Path:
    """Lay down the catalogue that a program of that version wrote."""
    path.parent.mkdir(exist_ok=True)
    packed = Path(__file__).with_name(f"catalogue_{version}.sqlite.gz").read_bytes()
    path.write_bytes(gzip.decompress(packed))
    return path


@pytest.fixture
def first_version(path: Path) -> Path:
    """Return a catalogue of version 0001.

    K07 has 1,100 chunks and an unfinished refresh, all rewritten on 2026-04-02, the first 1,030
    on the day after, and a finding on chunk 9. K08 has 40, rewritten on 2026-05-01, and is held.
    """
    return _of_version("0001", path)


@pytest.fixture
def second_version(path: Path) -> Path:
    """Return a catalogue of version 0002: as the first, with what the service keeps.

    K07 is asked for by slip 1, of which somebody was reminded; K08 is a copy in "harbour", here
    by slip 2. A stranger was reported, passes are paused, a policy was taken.
    """
    return _of_version("0002", path)


@pytest.mark.parametrize("version", VERSIONS.known[:-1])
def test_a_catalogue_of_an_older_version_loses_nothing(version: str, path: Path) -> None:
    """I7: what was recorded by an older program is there in this one, value by value."""
    older = _of_version(version, path)
    tables = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name != 'alembic_version'"
    with closing(sqlite3.connect(older)) as connection:
        names = [name for (name,) in connection.execute(tables)]
        before = {name: _rows(connection, name) for name in names}
    SqliteCatalogue.for_writing(older).close()

    assert len(names) == {"0001": 7, "0002": 14}[version]
    assert all(rows for name, rows in before.items() if name != "findings")
    with closing(sqlite3.connect(older)) as connection:
        for name, rows in before.items():
            after = _rows(connection, name)
            added = set(after[0]) - set(rows[0])
            assert [{key: row[key] for key in rows[0]} for row in after] == rows
            assert {row[key] for row in after for key in added} <= {None}


def _rows(connection: sqlite3.Connection, table: str) -> list[dict[str, object]]:
    connection.row_factory = sqlite3.Row
    return [dict(row) for row in connection.execute(f"SELECT * FROM {table}")]  # noqa: S608


def test_a_catalogue_of_the_first_version_goes_on(first_version: Path) -> None:
    """I4: its dates are those of before, and what the service records is added to it."""
    k08 = DriveNumber("K08")
    with SqliteCatalogue.for_writing(first_version) as catalogue:
        rewritten = {row.card.number: row.rewritten for row in catalogue.shelf_rows()}
        assert rewritten == {
            K07: LastRewrite(date(2026, 4, 2), 1),
            k08: LastRewrite(date(2026, 5, 1), 1),
        }
        assert catalogue.drive(k08).hold == "it forgets"
        head = catalogue.head()
        assert head is not None
        assert head[0] == 18
        refresh = begun(2, PassKind.REFRESH)
        late = proved(refresh, 1030, 70, date(2026, 4, 4))
        catalogue.apply(_scribe_after(head).entries(issued(1), arrived(k08), late))

        assert catalogue.oldest_written(K07) == LastRewrite(date(2026, 4, 3), 1)
        assert [slip.number for slip in catalogue.slips()] == [1]
        assert [stay.drive for stay in catalogue.stays()] == ["K08"]


def test_a_catalogue_of_the_second_version_goes_on(second_version: Path) -> None:
    """I6: slips, stays and dates are those of before, and health is added to it."""
    k08 = DriveNumber("K08")
    with SqliteCatalogue.for_writing(second_version) as catalogue:
        rewritten = {row.card.number: row.rewritten for row in catalogue.shelf_rows()}
        assert rewritten == {
            K07: LastRewrite(date(2026, 4, 2), 1),
            k08: LastRewrite(date(2026, 5, 1), 0),
        }
        assert [(slip.number, slip.reminders) for slip in catalogue.slips()] == [(1, 1), (2, 0)]
        assert catalogue.drive(k08).holding == "harbour"
        assert catalogue.drive(K07).health is None
        assert (catalogue.health(K07), catalogue.watches(K07)) == ((), ())
        assert (catalogue.unfinished_provings(), catalogue.certificates()) == ((), ())
        head = catalogue.head()
        assert head is not None
        watch = health_read(Verdict.WATCH)
        catalogue.apply(_scribe_after(head).entries(watch, watched(), proving_begun()))

        health = {row.card.number: row.card.health for row in catalogue.shelf_rows()}
        assert health[k08] is None
        state = health[K07]
        assert state is not None
        assert state.verdict is Verdict.WATCH
        assert [entry.reading for entry in catalogue.health(K07)] == [watch.reading]
        assert catalogue.next_proving_id() == "P2"


def test_a_failed_migration_changes_nothing(filled: Path, tmp_path: Path) -> None:
    """I6: a migration happens as a whole or not at all."""
    versions = _next_version(tmp_path, "raise RuntimeError('half-way')")
    with pytest.raises(RuntimeError, match="half-way"):
        open_for_writing(filled, versions)

    with SqliteCatalogue.for_writing(filled) as catalogue:
        assert len(catalogue.findings()) == 1
    assert asked(filled, "SELECT count(*) FROM sqlite_schema WHERE name = 'visits'") == 0


def test_an_older_catalogue_is_not_brought_up_by_a_reader(filled: Path, tmp_path: Path) -> None:
    """Reading changes nothing; the error says who brings it up."""
    before = filled.read_bytes()
    with pytest.raises(CatalogueError, match="older refreshd"):
        open_for_reading(filled, _next_version(tmp_path))

    assert filled.read_bytes() == before


def test_each_migration_is_a_version_that_the_program_knows() -> None:
    """A migration that nobody listed would never run."""
    files = sorted(VERSIONS.directory.glob("versions/v*.py"))

    assert [file.name[1:5] for file in files] == list(VERSIONS.known)


def test_the_wheel_carries_the_migrations(tmp_path: Path) -> None:
    """An installed program without them could not make a catalogue."""
    builders = pytest.importorskip("hatchling.builders.wheel", reason="the build tool")
    root = Path(__file__).parents[2]
    built = next(builders.WheelBuilder(str(root)).build(directory=str(tmp_path)))
    with zipfile.ZipFile(built) as wheel:
        names = set(wheel.namelist())
    wanted = {str(file.relative_to(root)) for file in VERSIONS.directory.rglob("*.py")}

    assert wanted
    assert wanted <= names


# --- Size


def test_a_drive_of_20_tb_costs_less_than_120_mb(path: Path) -> None:
    """Digests and dates of 4.8 million chunks, recorded as an accession records them."""
    path.parent.mkdir()
    with SqliteCatalogue.for_writing(path) as catalogue:
        build(catalogue, scribe := Scribe(), K07, LARGE_CHUNKS)
        refresh = begun(2, PassKind.REFRESH)
        catalogue.apply(scribe.entries(refresh))
        for first in range(0, LARGE_CHUNKS, 256 * ROW_CHUNKS):
            count = min(256 * ROW_CHUNKS, LARGE_CHUNKS - first)
            catalogue.apply(scribe.entries(proved(refresh, first, count, date(2026, 4, 2))))
        used = sum(file.stat().st_size for file in path.parent.iterdir())

        assert catalogue.recorded_chunks(K07) == LARGE_CHUNKS == 4_768_372
        assert catalogue.oldest_written(K07).on == date(2026, 4, 2)
    assert used < 120_000_000
    assert path.stat().st_size < 105_000_000
