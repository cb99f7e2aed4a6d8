"""ADM-4: restored to an empty machine, open findings, shelves and predictions are identical."""

import threading

import pytest
import sqlalchemy
from examples import EPOCH_MS, a_finding
from sqlalchemy import select

from service.errors import UnusableBackup
from service.storage import audit, backups, database, findings, keys, tables


def with_tools():
    try:
        backups._found("pg_dump")
    except UnusableBackup as refused:
        pytest.skip(str(refused))


@pytest.fixture
def filled(engine):
    if engine.dialect.name == "postgresql":
        with_tools()
    with engine.begin() as connection:
        for n in range(20):
            findings.save(connection, 1, a_finding(id=f"f{n}"))
            findings.note(connection, f"f{n}", EPOCH_MS, "raised")
        findings.set_operator(connection, "f3", "shelved", "R. Olin", EPOCH_MS + 1)
        keys.make(connection, "collector", "feed", EPOCH_MS)
        audit.note(connection, EPOCH_MS, "R. Olin", "shelve", "f3")
    return engine


@pytest.fixture
def empty(engine, tmp_path, new_postgresql_url):
    """A database of the same sort in which nothing is, not even a table."""
    if engine.dialect.name == "sqlite":
        made = database.open(f"sqlite:///{tmp_path}/elsewhere.sqlite")
    else:
        made = database.open(new_postgresql_url())
    yield made
    made.dispose()


def everything(engine):
    with engine.connect() as connection:
        return {
            name: sorted(map(repr, connection.execute(select(table)).all()))
            for name, table in tables.metadata.tables.items()
        }


class TestPutBack:
    def test_makes_another_database_the_same(self, filled, empty, tmp_path):
        backups.take(filled, tmp_path / "copy")

        backups.put_back(empty, tmp_path / "copy")

        assert everything(empty) == everything(filled)
        assert database.fits(empty)

    def test_fills_a_database_that_was_migrated_and_is_empty(self, filled, empty, tmp_path):
        database.upgrade(empty)
        backups.take(filled, tmp_path / "copy")

        backups.put_back(empty, tmp_path / "copy")

        assert everything(empty) == everything(filled)

    def test_keeps_history_and_audit_closed_to_edits(self, filled, empty, tmp_path):
        backups.take(filled, tmp_path / "copy")
        backups.put_back(empty, tmp_path / "copy")

        for table in (tables.audit, tables.finding_history):
            with pytest.raises(sqlalchemy.exc.DatabaseError, match="append-only"), empty.begin() as connection:
                connection.execute(table.delete())

    def test_writes_over_nothing_that_is_in_use(self, filled, tmp_path):
        backups.take(filled, tmp_path / "copy")
        before = everything(filled)

        with pytest.raises(UnusableBackup, match="in use"):
            backups.put_back(filled, tmp_path / "copy")
        assert everything(filled) == before

    @pytest.mark.parametrize("octets", [b"", b"no copy of anything", b"SQLite format 3\x00 cut off", b"PGDMP cut off"])
    def test_refuses_what_is_no_copy(self, empty, tmp_path, octets):
        (tmp_path / "copy").write_bytes(octets)

        with pytest.raises(UnusableBackup):
            backups.put_back(empty, tmp_path / "copy")


class TestTake:
    def test_never_writes_over_a_file(self, filled, tmp_path):
        (tmp_path / "copy").write_text("precious")

        with pytest.raises(UnusableBackup, match="there already"):
            backups.take(filled, tmp_path / "copy")
        assert (tmp_path / "copy").read_text() == "precious"

    def test_is_readable_by_its_owner_alone(self, filled, tmp_path):
        backups.take(filled, tmp_path / "copy")

        assert (tmp_path / "copy").stat().st_mode & 0o077 == 0

    def test_leaves_nothing_half_written(self, filled, tmp_path):
        with pytest.raises(UnusableBackup):
            backups.take(filled, tmp_path / "nowhere" / "copy")

        assert not list(tmp_path.glob("**/.copy*"))

    def test_is_of_one_moment_while_others_write(self, filled, empty, tmp_path):
        over = threading.Event()

        def write():
            for n in range(1_000):
                if over.is_set():
                    return
                with filled.begin() as connection:
                    findings.save(connection, 2, a_finding(id=f"g{n}"))
                    findings.note(connection, f"g{n}", EPOCH_MS, "raised")

        writer = threading.Thread(target=write)
        writer.start()
        backups.take(filled, tmp_path / "copy")
        over.set()
        writer.join()
        backups.put_back(empty, tmp_path / "copy")

        told = everything(empty)
        assert len(told["findings"]) == len(told["finding_history"]) >= 20
