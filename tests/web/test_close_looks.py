import pytest
from close_examples import seconds_after, told
from examples import EPOCH_MS
from web_examples import a_key, asked

from service.storage import audit, close_looks, database, tables
from service.webhooks.fields import instant

PLACE = "/v1/teams/1/close-look"
APART, TOGETHER = (0.80, 0.10), (0.46, 0.44)


class Clock:
    """A clock that stands where it is put, in seconds after EPOCH_MS."""

    def __init__(self):
        self.after_s = 0

    def __call__(self):
        return seconds_after(self.after_s)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def http(sqlite_engine, clock):
    """Asked over a team whose first samples have come."""
    http = asked(sqlite_engine, now_ms=clock)
    push(http, told())
    clock.after_s = 10
    return http


def push(http, samples):
    answer = http.post("/v1/samples", json={"samples": samples})
    assert answer.json()["rejected"] == []
    return samples


def mark(http, at_s, **more):
    told = {"at": instant(seconds_after(at_s)), "what": "hashed by addresses and ports", "kind": "method"}
    teams = [{"device": "sm-07", "team": "front"}]
    answer = http.post("/v1/changes", json={**told, "teams": teams, "settle_seconds": 30, **more})
    assert answer.status_code == 201, answer.text


def played(http, clock, *, every_s=5, seconds=5, settles_s=12, discards=0):
    """Two minutes apart, a change, and after so many seconds two minutes together; what it shows then."""
    clock.after_s = 0
    http.post(PLACE, json={"seconds": seconds, "minutes": 10})
    push(http, told((120 + settles_s // every_s * every_s, APART), (120, TOGETHER), every_s=every_s, discards=discards))
    clock.after_s = 240
    mark(http, 120)
    return http.get(PLACE).json()


class TestBegin:
    def test_says_what_was_begun(self, http):
        answer = http.post(PLACE, json={"seconds": 5, "minutes": 10})

        assert answer.status_code == 201
        told = answer.json()
        assert (told["window_seconds"], told["lasts"], told["who"]) == (5, True, "loopback")
        assert (told["begun_at"], told["ends_at"]) == ("2026-11-25T10:00:10Z", "2026-11-25T10:10:10Z")

    def test_leaves_a_line_of_who_did_it(self, http, sqlite_engine):
        http.post(PLACE, json={"seconds": 5, "minutes": 10})
        http.delete(PLACE)

        with database.reading(sqlite_engine) as connection:
            lines = audit.listing(connection).items
        assert [line.what for line in lines[:2]] == ["close-look.end", "close-look.begin"]
        assert lines[1].details == {"seconds": 5, "until_ms": seconds_after(610)}

    def test_replaces_the_one_before(self, http):
        http.post(PLACE, json={"seconds": 5, "minutes": 10})
        http.post(PLACE, json={"seconds": 15, "minutes": 1})

        assert http.get(PLACE).json()["window_seconds"] == 15

    @pytest.mark.parametrize(
        "told",
        [
            {"seconds": 7, "minutes": 1},
            {"seconds": 30, "minutes": 1},
            {"seconds": 5, "minutes": 0},
            {"seconds": 5, "minutes": 61},
            {"seconds": 5},
            {"seconds": 5, "minutes": 1, "team": "front"},
        ],
    )
    def test_refuses_what_it_does_not_do(self, http, told):
        assert http.post(PLACE, json=told).status_code == 422

    def test_says_when_too_many_look(self, http, sqlite_engine):
        with sqlite_engine.begin() as connection:
            for team_id in range(2, 2 + close_looks.MOST):
                look = close_looks.CloseLook(team_id, 5000, EPOCH_MS, EPOCH_MS + 600_000, "A. Wren")
                close_looks.begin(connection, look)

        answer = http.post(PLACE, json={"seconds": 5, "minutes": 1})

        assert answer.status_code == 409
        assert "8 teams are looked at closely already" in answer.json()["detail"]

    def test_is_for_those_who_operate(self, sqlite_engine, http):
        viewer = a_key(sqlite_engine, "view")

        assert http.post(PLACE, json={"seconds": 5, "minutes": 1}, headers=viewer).status_code == 403
        assert http.delete(PLACE, headers=viewer).status_code == 403
        http.post(PLACE, json={"seconds": 5, "minutes": 1}, headers=a_key(sqlite_engine, "operate"))
        assert http.get(PLACE, headers=viewer).status_code == 200

    def test_of_a_team_that_is_not_there_is_none(self, http):
        assert http.post("/v1/teams/9/close-look", json={"seconds": 5, "minutes": 1}).status_code == 404


class TestEnd:
    def test_ends_it_now_and_still_shows_it(self, http, clock):
        http.post(PLACE, json={"seconds": 5, "minutes": 10})
        clock.after_s = 30

        assert http.delete(PLACE).json()["lasts"] is False
        assert http.get(PLACE).json()["ends_at"] == "2026-11-25T10:00:30Z"
        assert http.delete(PLACE).status_code == 404

    def test_comes_by_itself(self, http, clock):
        http.post(PLACE, json={"seconds": 5, "minutes": 1})
        clock.after_s = 71

        assert http.get(PLACE).json()["lasts"] is False


class TestShown:
    def test_is_nothing_where_nobody_looked(self, http):
        assert http.get(PLACE).status_code == 404

    def test_is_empty_at_first(self, http):
        http.post(PLACE, json={"seconds": 5, "minutes": 1})
        told = http.get(PLACE).json()

        assert told["starts"] == []
        assert [way["direction"] for way in told["directions"]] == ["egress", "ingress"]

    def test_of_a_team_whose_members_have_all_gone_is_empty(self, http, clock):
        http.post(PLACE, json={"seconds": 5, "minutes": 10})
        clock.after_s = 30
        push(http, [one | {"team": "store"} for one in told((30, APART)) if one["time"] > EPOCH_MS // 1000])
        answer = http.get(PLACE)

        assert answer.status_code == 200
        assert (answer.json()["starts"], answer.json()["directions"][0]["members"]) == ([], [])

    def test_holds_the_narrow_windows_of_what_was_carried(self, http, clock):
        told = played(http, clock)
        egress = told["directions"][0]
        m1, m2 = (member["utilisation"] for member in egress["members"])

        # What was sent, on the wire: 1250 octets a frame (IEEE 802.3: 20 octets of preamble and gap).
        assert len(told["starts"]) == 48
        assert m1[:20] == pytest.approx([0.80] * 20, abs=1e-4)
        assert m1[30:] == pytest.approx([0.46] * 18, abs=1e-4)
        assert m2[30:] == pytest.approx([0.44] * 18, abs=1e-4)
        assert egress["even_split"][0] == pytest.approx(0.45, abs=1e-4)
        assert egress["members"][0]["share"][0] == pytest.approx(8 / 9, abs=1e-4)
        assert {c for member in egress["members"] for c in member["coverage"]} == {1.0}
        assert not any(flag for member in egress["members"] for flag in member["interpolated"])
        assert told["notes"][-1].startswith("in the lab, not the recorded verdict")

    def test_measures_the_time_to_shift(self, http, clock):
        (change,) = played(http, clock)["directions"][0]["changes"]

        # Members were on their new rates from 130 s on, 10 s after the mark at 120 s.
        assert change["shift"]["moving"] == "settled"
        assert change["shift"]["seconds"] == pytest.approx(10, abs=5)
        assert change["shift"]["resolution_seconds"] == 5

    def test_counts_what_was_discarded_until_then(self, http, clock):
        clock.after_s = 0
        http.post(PLACE, json={"seconds": 5, "minutes": 10})
        push(http, told((120, APART), (15, (0.70, 0.20)), (105, TOGETHER), discards=7))
        clock.after_s = 240
        mark(http, 120)
        egress, ingress = (way["changes"][0]["shift"] for way in http.get(PLACE).json()["directions"])

        # 7 frames were dropped a poll of 5 s from the change on.
        assert egress["moving"] == "settled"
        assert egress["discards"] == 7 * egress["seconds"] / 5
        assert ingress["discards"] is None

    def test_says_what_the_verdict_would_be_once_there_are_enough_windows(self, http, clock):
        (change,) = played(http, clock)["directions"][0]["changes"]
        so_far = change["so_far"]

        assert so_far["outcome"] == "evened-out"
        # Busiest less even split: 0.80 - 0.45 before, 0.46 - 0.45 after.
        assert so_far["difference"] == pytest.approx(-0.34, abs=0.001)
        assert so_far["low"] <= so_far["difference"] <= so_far["high"]
        assert (change["needed"], change["independent_before"] >= 8) == (8, True)

    def test_cannot_tell_before(self, http, clock):
        http.post(PLACE, json={"seconds": 5, "minutes": 10})
        push(http, told((60, APART), (10, TOGETHER)))
        clock.after_s = 70
        mark(http, 60)
        (change,) = http.get(PLACE).json()["directions"][0]["changes"]

        assert change["shift"]["moving"] == "not-yet"
        assert change["shift"]["seconds"] is None
        assert change["so_far"]["outcome"] == "cannot-tell-yet"
        assert change["independent_after"] < change["needed"]

    def test_sees_no_shift_where_there_is_none(self, http, clock):
        clock.after_s = 0
        http.post(PLACE, json={"seconds": 5, "minutes": 10})
        push(http, told((240, APART)))
        clock.after_s = 240
        mark(http, 120)
        (change,) = http.get(PLACE).json()["directions"][0]["changes"]

        assert change["shift"]["moving"] == "none-seen"
        assert change["so_far"]["outcome"] == "unchanged"

    def test_says_where_windows_are_interpolations_and_follows_in_wider_ones(self, http, clock):
        told = played(http, clock, every_s=10)

        assert told["samples"]["reached_seconds"] == 10
        assert "lopside push --interval 5" in told["samples"]["text"]
        assert "an interpolation" in told["notes"][0]
        assert told["compared_seconds"] == 10
        assert all(told["directions"][0]["members"][0]["interpolated"])
        assert told["directions"][0]["changes"][0]["shift"]["resolution_seconds"] == 10

    def test_leaves_windows_unknown_that_samples_are_too_far_apart_for(self, http, clock):
        told = played(http, clock, every_s=20)

        assert "unknown until samples come more often" in told["notes"][0]
        assert set(told["directions"][0]["members"][0]["utilisation"]) == {None}

    def test_keeps_nothing_and_touches_no_decided_window(self, http, clock, sqlite_engine):
        played(http, clock)

        with database.reading(sqlite_engine) as connection:
            for table in (tables.windows, tables.findings, tables.rollups):
                assert connection.execute(table.select()).all() == []
