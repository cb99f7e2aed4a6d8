"""SEC-5: a changed setting has when, from and to in the audit."""

import pytest
from examples import EPOCH_MS
from structlog.testing import capture_logs

from service.app import Parts
from service.app.settings_noted import note_settings, stated
from service.settings.reading import settled
from service.storage import audit, database

ROUTE = {"name": "chat", "url": "https://chat.example/s3cr3t-Zeta"}


@pytest.fixture
def start(engine):
    """Starts a process with settings; the lines there are then, the last one first."""

    def started(kind="serve", **told):
        note_settings(Parts(settled(told), engine, clock=lambda: EPOCH_MS, owner="one"), kind)
        with database.reading(engine) as connection:
            return audit.listing(connection).items

    return started


class TestNoteSettings:
    def test_says_what_became_of_what(self, start):
        start(rules={"hot_above": 0.75})
        [line, _first] = start(rules={"hot_above": 0.8})

        assert (line.what, line.target, line.at_ms) == ("settings.change", "serve", EPOCH_MS)
        assert line.details["changed"] == {"rules.hot_above": [0.75, 0.8]}
        assert line.details["process"] == "one"

    def test_says_nothing_where_nothing_changed(self, start):
        start(rules={"hot_above": 0.8})

        assert len(start(rules={"hot_above": 0.8})) == 1

    def test_tells_that_a_list_is_another_by_its_length_and_a_digest(self, start):
        start(teams=[{"device": "sm-07", "team": "front", "method": "load-aware"}])
        [line, _first] = start(teams=[{"device": "sm-08", "team": "front", "method": "load-aware"}])

        ((before, after),) = line.details["changed"].values()
        assert before.startswith("1, ")
        assert after.startswith("1, ")
        assert before != after

    def test_holds_each_kind_of_process_against_its_own(self, start):
        start("web", server={"port": 9000})
        start("work", server={"port": 9001})

        assert len(start("web", server={"port": 9000})) == 2

    def test_keeps_nobody_from_starting_where_nothing_can_be_written(self, engine):
        readonly = engine.execution_options(postgresql_readonly=True)
        if engine.dialect.name == "sqlite":
            with engine.begin() as connection:
                connection.exec_driver_sql("DROP TABLE audit")

        with capture_logs() as said:
            note_settings(Parts(settled({}), readonly, clock=lambda: EPOCH_MS), "serve")

        assert [line["event"] for line in said] == ["the settings could not be noted in the audit"]

    def test_repeats_no_secret(self, start):
        lines = start(routes=[ROUTE], database={"url": "postgresql://u@h/s3cr3t-Zeta"})

        assert "s3cr3t-Zeta" not in str(lines)


class TestStated:
    def test_names_every_setting_that_is_no_list_by_its_place(self):
        told = stated(settled({}))

        assert told["server.port"] == 8430
        assert told["routes"] == "0"
        assert all(value is None or isinstance(value, str | int | float) for value in told.values())
