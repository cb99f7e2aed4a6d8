import pytest
from web_examples import a_key, asked

from service.storage import audit, database

QUIET = {"begins": "2026-11-25T09:30", "minutes": 60, "devices": ["sm-*"], "because": "new switch"}


@pytest.fixture
def http(engine):
    with asked(engine) as client:
        yield client


def announced(http, **told):
    return http.post("/v1/quiet-times", json={**QUIET, **told})


class TestAnnounce:
    def test_keeps_it_and_says_until_when_messages_wait(self, http):
        answer = announced(http)

        assert answer.status_code == 201
        assert answer.json()["lasts_until"] == "2026-11-25T10:30:00Z"
        assert http.get("/v1/quiet-times").json()["items"] == [answer.json()]

    def test_tells_when_a_recurring_one_begins_next(self, http):
        told = announced(
            http, begins="2026-11-24T22:00", recurrence="FREQ=WEEKLY;BYDAY=TU", zone="Europe/Lisbon"
        ).json()

        assert (told["lasts_until"], told["next_begins_at"]) == (None, "2026-12-01T22:00:00Z")

    def test_is_written_down_with_who_and_what(self, http, engine):
        made = announced(http).json()

        with database.reading(engine) as connection:
            [line] = audit.listing(connection).items
        assert (line.who, line.what, line.target) == ("loopback", "quiet-time.announce", made["id"])
        assert line.details["devices"] == ["sm-*"]

    @pytest.mark.parametrize(
        "told",
        [
            {"begins": "tonight"},
            {"begins": "2026-11-25T09:30Z"},
            {"minutes": 0},
            {"minutes": "60"},
            {"because": ""},
            {"devices": []},
            {"recurrence": "FREQ=HOURLY"},
            {"zone": "Nowhere"},
            {"forever": True},
        ],
    )
    def test_refuses_what_cannot_be(self, http, told):
        answer = announced(http, **told)

        assert answer.status_code in (400, 422)
        assert answer.headers["content-type"] == "application/problem+json"
        assert http.get("/v1/quiet-times").json()["items"] == []

    def test_is_not_for_viewers(self, http, engine):
        assert http.post("/v1/quiet-times", json=QUIET, headers=a_key(engine, "view")).status_code == 403
        assert http.post("/v1/quiet-times", json=QUIET, headers=a_key(engine, "operate")).status_code == 201

    def test_keeps_at_most_so_many(self, http, monkeypatch):
        monkeypatch.setattr("service.storage.quiet_times.MOST", 2)

        assert [announced(http).status_code for _ in range(3)] == [201, 201, 409]


class TestEnd:
    def test_ends_it_for_good_and_keeps_it_listed(self, http):
        made = announced(http).json()

        ended = http.delete(f"/v1/quiet-times/{made['id']}").json()

        assert ended["lasts_until"] is None
        assert ended["ended_at"] is not None
        assert [one["id"] for one in http.get("/v1/quiet-times").json()["items"]] == [made["id"]]
        assert http.delete(f"/v1/quiet-times/{made['id']}").status_code == 409

    def test_knows_no_other(self, http):
        assert http.delete("/v1/quiet-times/q0").status_code == 404
