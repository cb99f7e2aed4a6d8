import pytest
from examples import EPOCH_MS
from trial_examples import DEVICE, EIGHT, PLAN, TEAM
from web_examples import a_key, asked

PATH = "/v1/trials"


def filled(engine, *, after_s=900, until_s=720):
    http = asked(engine, now_ms=lambda: EPOCH_MS + after_s * 1000)
    samples = [one for one in EIGHT.samples() if one["time"] <= EPOCH_MS // 1000 + until_s]
    assert http.post("/v1/samples", json={"samples": samples}).json()["rejected"] == []
    return http


class TestTrials:
    def test_answers_on_each_database(self, engine):
        told = filled(engine).post(PATH, json=PLAN).json()

        assert told["count"]["agrees"] is True
        assert told["seats"] == [{"port": "m1", "streams": 5}, {"port": "m2", "streams": 3}]
        assert (told["from"], told["to"], told["complete"]) == ("2026-11-25T10:00:00Z", "2026-11-25T10:10:00Z", True)

    def test_reaches_as_far_as_samples_while_it_runs(self, sqlite_engine):
        told = filled(sqlite_engine, after_s=200, until_s=200).post(PATH, json=PLAN).json()

        assert told["complete"] is False
        assert told["until"] == "2026-11-25T10:03:13Z"
        assert told["count"]["ratio"] == pytest.approx(1, abs=1e-3)

    def test_finds_nothing_to_compare_where_nothing_was_polled(self, sqlite_engine):
        told = filled(sqlite_engine).post(PATH, json=PLAN | {"from": "2026-11-24T10:00:00Z"}).json()

        assert (told["count"], told["seats"], told["until"]) == (None, [], None)
        assert any("nothing to compare" in text for text in told["warnings"])

    def test_names_records_of_streams_and_believes_them_first(self, sqlite_engine):
        http = filled(sqlite_engine)
        span = {"start": EPOCH_MS // 1000, "end": EPOCH_MS // 1000 + 600}
        items = [
            {"device": DEVICE, "port": port, "name": f"talk-{at}", "kind": "conversation", "direction": "egress"}
            | {**span, "bps": 115_300_000}
            for at, port in enumerate(["m1"] * 6 + ["m2"] * 2)
        ]
        assert http.post("/v1/items", json={"items": items}).json()["rejected"] == []

        told = http.post(PATH, json=PLAN).json()

        assert told["seats_by"] == "records"
        assert told["seats"] == [{"port": "m1", "streams": 6}, {"port": "m2", "streams": 2}]
        assert len(told["records"]) == 8

    def test_takes_changes_that_are_stated(self, sqlite_engine):
        change = {"at": "2026-11-25T10:05:03Z", "what": "by hand"}

        [shift] = filled(sqlite_engine).post(PATH, json=PLAN | {"changes": [change]}).json()["shifts"]

        assert (shift["what"], shift["discards"]) == ("by hand", 75_968)

    def test_takes_only_changes_of_its_direction_from_the_record(self, sqlite_engine):
        http = filled(sqlite_engine)
        teams = [{"device": DEVICE, "team": TEAM, "direction": "ingress"}]
        made = {"at": "2026-11-25T10:05:03Z", "what": "far end", "teams": teams}
        assert http.post("/v1/changes", json=made).status_code == 201

        assert http.post(PATH, json=PLAN).json()["shifts"] == []

    def test_uses_the_line_that_is_told(self, sqlite_engine):
        told = filled(sqlite_engine).post(PATH, json=PLAN | {"line": 0.5}).json()

        assert told["foretold"]["line"] == 0.5
        assert told["foretold"]["seen_above"] is True

    @pytest.mark.parametrize(
        "change",
        [
            {"streams": []},
            {"streams": [{"bps": 0}]},
            {"streams": [{"bps": 1, "count": 513}]},
            {"seconds": 9},
            {"seconds": 14_401},
            {"from": "yesterday"},
            {"direction": "sideways"},
            {"line": 0},
            {"framing": {"ip": 5}},
            {"framing": {"mtu": 99}},
            {"colour": "red"},
        ],
    )
    def test_refuses_what_is_no_plan(self, http, change):
        assert http.post(PATH, json=PLAN | change).status_code == 422

    @pytest.mark.parametrize(
        "streams",
        [
            [{"bps": 1, "after_seconds": 600}],
            [{"bps": 1, "after_seconds": 590, "for_seconds": 11}],
            [{"bps": 1, "count": 257}, {"bps": 2, "count": 256}],
        ],
    )
    def test_refuses_streams_that_do_not_fit_the_check(self, http, streams):
        assert http.post(PATH, json=PLAN | {"streams": streams}).status_code == 409

    @pytest.mark.parametrize("begin", ["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59Z"])
    def test_refuses_a_time_beyond_all_clocks(self, sqlite_engine, begin):
        assert filled(sqlite_engine).post(PATH, json=PLAN | {"from": begin}).status_code == 409

    def test_does_not_know_a_team_that_is_not_there(self, http):
        assert http.post(PATH, json=PLAN).status_code == 404

    def test_may_be_asked_by_whoever_may_look(self, sqlite_engine):
        http = asked(sqlite_engine, open_on_loopback=False)

        assert http.post(PATH, json=PLAN).status_code == 401
        assert http.post(PATH, json=PLAN, headers=a_key(sqlite_engine, "feed")).status_code == 403
        assert http.post(PATH, json=PLAN, headers=a_key(sqlite_engine, "view")).status_code == 404
