import pytest
from examples import EPOCH_MS
from feed_examples import a_row
from sqlalchemy import update
from storage_examples import a_polling
from web_examples import asked

from service.storage import agents, database, deliveries, inventory, tables
from service.storage.deliveries import Owed

# A window of 30 s that began at EPOCH_MS is due when those are over and 90 s more, as for every push.
DUE_MS = EPOCH_MS + 120_000
HOUR_MS = 3_600_000


class TestHealthz:
    def test_answers_though_the_database_is_away(self, tmp_path):
        http = asked(database.open(f"sqlite:///{tmp_path}/nowhere/lopside.sqlite"))

        assert http.get("/healthz").json() == {"alive": True}


def holds(answer):
    return {check["name"]: check["holds"] for check in answer.json()["checks"]}


class TestCannotTell:
    """NOT-6: whoever is not told must not have to find out for himself."""

    def owing(self, engine, *, given_up=False):
        with engine.begin() as connection:
            deliveries.owe(connection, [Owed("msg-1", "f1", "chat", "raised", "{}", EPOCH_MS - 24 * HOUR_MS)])
            deliveries.claim(connection, EPOCH_MS - 24 * HOUR_MS, 1)
            deliveries.put_off(connection, "msg-1", EPOCH_MS, "answered 500")
            if given_up:
                deliveries.given_up(connection, "msg-1", EPOCH_MS, "answered 410")

    def told(self, engine):
        answer = asked(engine).get("/readyz")
        assert answer.status_code == 200
        return answer.json()["cannot_tell"]

    def test_says_since_when_messages_are_not_taken(self, engine):
        self.owing(engine)

        words = "delivery on a route has been failing since 2026-11-24T10:00:00Z: 1 messages wait"
        assert self.told(engine) == [words]

    def test_says_what_was_given_up_within_a_day(self, engine):
        self.owing(engine, given_up=True)

        [words] = self.told(engine)
        assert words.endswith("1 were given up within a day")

    def test_says_nothing_once_it_was_taken(self, engine):
        self.owing(engine)
        with engine.begin() as connection:
            deliveries.taken(connection, "msg-1", EPOCH_MS)

        assert self.told(engine) == []

    def test_says_nothing_of_what_was_only_just_tried(self, engine):
        with engine.begin() as connection:
            deliveries.owe(connection, [Owed("msg-1", "f1", "chat", "raised", "{}", EPOCH_MS)])
            deliveries.claim(connection, EPOCH_MS, 1)

        assert self.told(engine) == []


class TestReadyz:
    def test_is_ready_with_a_current_database_and_nothing_due(self, http_of_each):
        answer = http_of_each.get("/readyz")

        assert answer.status_code == 200
        assert holds(answer) == {"database": True, "evaluation": True}
        assert answer.json()["cannot_see"] == ["no source has sent anything yet"]

    def test_is_not_ready_while_the_database_is_away(self, tmp_path):
        answer = asked(database.open(f"sqlite:///{tmp_path}/nowhere/lopside.sqlite")).get("/readyz")

        assert answer.status_code == 503
        assert holds(answer) == {"database": False}

    def test_is_not_ready_with_tables_of_another_release(self, tmp_path):
        answer = asked(database.open(f"sqlite:///{tmp_path}/empty.sqlite")).get("/readyz")

        assert answer.status_code == 503
        assert "migrate" in answer.json()["checks"][0]["text"]

    @pytest.mark.parametrize(("late_ms", "status"), [(0, 200), (120_000, 200), (120_001, 503)])
    def test_is_not_ready_once_evaluation_is_two_minutes_behind(self, engine, late_ms, status):
        asked(engine).post("/v1/samples", json={"samples": [a_row()]})
        with engine.begin() as connection:
            inventory.note_decided(connection, [1], EPOCH_MS)

        answer = asked(engine, now_ms=lambda: DUE_MS + late_ms).get("/readyz")

        assert answer.status_code == status
        assert holds(answer)["evaluation"] is (status == 200)

    def test_is_not_ready_where_nobody_ever_evaluated(self, sqlite_engine):
        asked(sqlite_engine).post("/v1/samples", json={"samples": [a_row()]})

        assert asked(sqlite_engine, now_ms=lambda: DUE_MS + 600_000).get("/readyz").status_code == 503

    def test_does_not_wait_for_a_device_that_is_long_gone(self, sqlite_engine):
        asked(sqlite_engine).post("/v1/samples", json={"samples": [a_row()]})

        assert asked(sqlite_engine, now_ms=lambda: EPOCH_MS + 49 * 3_600_000).get("/readyz").status_code == 200

    def test_says_what_cannot_be_seen_though_it_is_ready(self, http_of_each, engine):
        http_of_each.post("/v1/samples", json={"samples": [a_row(device=f"d{k}") for k in range(3)]})
        with engine.begin() as connection:
            inventory.note_device(connection, 2, silent_since_ms=EPOCH_MS)

        answer = http_of_each.get("/readyz")

        assert answer.status_code == 200
        assert answer.json()["cannot_see"] == [
            "1 of 3 sources are silent: nothing is known of their teams meanwhile; findings are possible for 2 of 3"
        ]

    def test_counts_those_that_were_never_heard_among_the_silent(self, http_of_each, engine):
        http_of_each.post("/v1/samples", json={"samples": [a_row()]})
        with engine.begin() as connection:
            agents.note(connection, [a_polling("sm-30"), a_polling("sm-31")])

        told = http_of_each.get("/readyz").json()["cannot_see"]

        assert told[0].startswith("2 of 3 sources are silent")
        assert told[1:] == ["2 of the silent sources were never heard"]

    def test_names_no_source_because_whoever_asks_has_no_key(self, sqlite_engine):
        with sqlite_engine.begin() as connection:
            agents.note(connection, [a_polling("sm-30", trouble="no answer from 192.0.2.30")])

        told = asked(sqlite_engine, open_on_loopback=False).get("/readyz")

        assert "1 of 1 sources are silent" in told.text
        assert "sm-30" not in told.text
        assert "192.0.2" not in told.text

    def test_expects_nothing_more_of_files(self, sqlite_engine):
        asked(sqlite_engine).post("/v1/samples", json={"samples": [a_row()]})
        with sqlite_engine.begin() as connection:
            connection.execute(update(tables.devices).values(feed="csv", interval_ms=10_000))

        answer = asked(sqlite_engine, now_ms=lambda: EPOCH_MS + 49 * 3_600_000).get("/readyz")

        assert answer.json()["cannot_see"] == ["no source is to be heard: what came was from files"]
