import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text

from service.storage import database, partitions, tables


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_engine(request, tmp_path, new_postgresql_url):
    url = f"sqlite:///{tmp_path / 'empty.sqlite'}" if request.param == "sqlite" else new_postgresql_url()
    engine = database.open(url)
    yield engine
    engine.dispose()


def run(engine, what, revision):
    with engine.begin() as connection:
        config = database.migrations()
        config.attributes["connection"] = connection
        what(config, revision)


def differences(engine):
    names = tuple(partitions.UNITS)

    def is_ours(entry, name, kind, *_):
        return not (kind == "table" and name not in names and name.startswith(names))

    with engine.connect() as connection:
        # Of SQLite's defaults the comparison cannot read an empty string; the migration is the same for both.
        told = {"compare_server_default": engine.dialect.name != "sqlite", "include_object": is_ours}
        return compare_metadata(MigrationContext.configure(connection, opts=told), tables.metadata)


class TestUpgrade:
    def test_from_nothing_makes_the_tables_that_the_code_expects(self, empty_engine):
        run(empty_engine, command.upgrade, "head")

        assert differences(empty_engine) == []

    def test_names_constraints_and_indexes_as_the_code_does(self, empty_engine):
        run(empty_engine, command.upgrade, "head")

        looked_at = inspect(empty_engine)
        for table in tables.metadata.sorted_tables:
            assert looked_at.get_pk_constraint(table.name)["name"] == f"pk_{table.name}"
            found = {
                index["name"] for index in looked_at.get_indexes(table.name) if not index.get("duplicates_constraint")
            }
            assert found == {index.name for index in table.indexes}

    def test_partitions_what_grows_with_time(self, postgresql_engine):
        with postgresql_engine.connect() as connection:
            found = connection.execute(
                text("SELECT c.relname FROM pg_partitioned_table p JOIN pg_class c ON c.oid = p.partrelid")
            )
            assert set(found.scalars()) == set(partitions.UNITS)


class TestDowngrade:
    def test_leaves_nothing_behind(self, empty_engine):
        run(empty_engine, command.upgrade, "head")
        run(empty_engine, command.downgrade, "base")

        assert inspect(empty_engine).get_table_names() == ["alembic_version"]

    def test_can_be_followed_by_an_upgrade(self, empty_engine):
        for _ in range(2):
            run(empty_engine, command.upgrade, "head")
            run(empty_engine, command.downgrade, "base")
        run(empty_engine, command.upgrade, "head")

        assert differences(empty_engine) == []


class TestFilled:
    """What one release keeps is left alone by the step to the next, and by the step back."""

    DEVICE = "INSERT INTO devices (name, feed, created_ms) VALUES ('sm-07', 'push', 7)"
    CLAIM = "INSERT INTO claims (device, port, said_by, seen_ms, changed_ms) VALUES ('sm-07', 'up1', 'declared', 8, 8)"
    KEPT = "SELECT name, feed, created_ms FROM devices"

    def say(self, engine, statement):
        with engine.begin() as connection:
            found = connection.execute(text(statement))
            return [tuple(row) for row in found] if found.returns_rows else []

    def test_keeps_what_was_there_up_and_down_and_up_again(self, empty_engine):
        run(empty_engine, command.upgrade, "0001")
        self.say(empty_engine, self.DEVICE)

        for revision, step in (("head", command.upgrade), ("0001", command.downgrade), ("head", command.upgrade)):
            run(empty_engine, step, revision)
            if revision == "head":
                assert self.say(empty_engine, "SELECT count(*) FROM claims") == [(0,)]
                self.say(empty_engine, self.CLAIM)
            assert self.say(empty_engine, self.KEPT) == [("sm-07", "push", 7)]

    def test_lets_the_release_before_go_on_writing_beside_it(self, empty_engine):
        run(empty_engine, command.upgrade, "0001")
        before = {name: inspect(empty_engine).get_columns(name) for name in inspect(empty_engine).get_table_names()}
        run(empty_engine, command.upgrade, "0002")

        # Its tables are the very same: 0002 only adds some.
        looked_at = inspect(empty_engine)
        assert {name: list(map(str, looked_at.get_columns(name))) for name in before} == {
            name: list(map(str, columns)) for name, columns in before.items()
        }


class TestVersions:
    def test_are_numbered_in_one_line(self):
        scripts = ScriptDirectory.from_config(database.migrations())

        revisions = [script.revision for script in scripts.walk_revisions()][::-1]

        assert revisions == [f"{number:04}" for number in range(1, len(revisions) + 1)]
        assert len(scripts.get_heads()) == 1

    def test_import_nothing_of_the_service(self):
        folder = database.migrations().get_main_option("script_location")
        for script in ScriptDirectory(folder).walk_revisions():
            with open(script.path) as lines:
                assert not any(line.startswith(("from service", "import service")) for line in lines)
