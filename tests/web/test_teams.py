from typing import get_args

import numpy as np
import pytest
from examples import EPOCH_MS
from web_examples import asked

from service.evaluation import Evaluator, Policy
from service.storage import agreements, inventory, windows
from service.storage.agreements import CABLE, SUM, Agreement
from service.terms import MARK_WORDS, MemberWindows, PortName, Rule
from service.web.measured import MarkWord


class TestListing:
    def test_tells_teams_with_their_members(self, played):
        [told] = played.get("/v1/teams").json()["items"]

        assert (told["id"], told["device"], told["team"], told["members"]) == (1, "sm-07", "front", ["m1", "m2"])
        assert told["decided_at"] == "2026-11-25T10:15:30Z"

    def test_is_read_page_by_page_and_by_device(self, http_of_each, engine):
        with engine.begin() as connection:
            for device in ("a", "b"):
                names = [PortName(device, f"{device}{k}", f"t{k}") for k in range(5)]
                inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)

        first = http_of_each.get("/v1/teams", params={"limit": 7}).json()
        rest = http_of_each.get("/v1/teams", params={"limit": 7, "cursor": first["next"]}).json()

        assert [one["id"] for one in first["items"] + rest["items"]] == list(range(1, 11))
        assert rest["next"] is None
        assert len(http_of_each.get("/v1/teams", params={"device": "b"}).json()["items"]) == 5


class TestOne:
    def test_tells_one(self, played):
        assert played.get("/v1/teams/1").json()["team"] == "front"

    def test_tells_how_far_readings_of_the_same_traffic_agree(self, played, played_engine):
        mine = Agreement(SUM, "sm-07", "front", 0, "sm-07 bond0", 1_000_000_000, 1_003_000_000, 0.003, True, 1)
        cable = Agreement(CABLE, "sm-07", "m2", 1, "sw-03 g1/0/7", 902_000_000, 870_000_000, 0.035, False, 1)
        with played_engine.begin() as connection:
            agreements.keep(connection, [mine, cable, mine._replace(name="store"), cable._replace(name="m9")])

        told = played.get("/v1/teams/1").json()["agreements"]

        assert [(one["what"], one["name"], one["direction"], one["agrees"]) for one in told] == [
            ("cable", "m2", "ingress", False),
            ("sum", "front", "egress", True),
        ]
        assert (told[1]["here_bps"], told[1]["there_bps"], told[1]["difference"]) == (10**9, 1_003_000_000, 0.003)

    @pytest.mark.parametrize(("team_id", "status"), [("9", 404), ("0", 400), ("x", 400), (2**31, 400), (-1, 400)])
    def test_refuses_an_id_that_nothing_has(self, played, team_id, status):
        assert played.get(f"/v1/teams/{team_id}").status_code == status


HALF_HOUR = {"from": "2026-11-25T10:00:00Z", "to": "2026-11-25T10:30:00Z"}


class TestWindows:
    def test_tells_members_and_measures(self, played):
        told = played.get("/v1/teams/1/windows", params=HALF_HOUR | {"direction": "egress"}).json()

        window = told["items"][2]
        assert told["window_seconds"] == 30
        assert (window["device"], window["team"], window["direction"]) == ("sm-07", "front", "egress")
        assert window["start"] == "2026-11-25T10:01:00Z"
        assert (window["kind"], window["evaluable"], window["restated"]) == ("uneven", True, 0)
        # By hand: two members of one speed at 92 % and 2 % carry 47 % each when split evenly.
        assert window["even_split"] == pytest.approx(0.47, abs=1e-5)
        assert window["imbalance"] == pytest.approx(0.45, abs=1e-5)
        assert window["busiest_share"] == pytest.approx(0.92 / 0.94, abs=1e-5)
        # Without one of the two the other would carry all: 94 %.
        assert window["one_lost"] == pytest.approx(0.94, abs=1e-5)
        m1, m2 = window["members"]
        assert (m1["port"], m2["port"]) == ("m1", "m2")
        assert m1["utilisation"] == pytest.approx(0.92, abs=1e-5)
        assert m1["lower"] <= m1["utilisation"] + 1e-6
        assert m1["utilisation"] <= m1["upper"] + 1e-6
        assert (m1["coverage"], m1["basis"], m1["eligible"], m1["why_not"]) == (1, "wire", True, "")

    def test_flags_what_is_uncertain(self, http, sqlite_engine):
        # Polls at 0, 20 and 40 s: 64 % in the first window, and from 50.7 to 77.3 % as the octets may have lain.
        start_s = EPOCH_MS // 1000
        samples = [
            {"time": start_s + t, "device": "sm-07", "port": "m1", "team": "front", "speed_bps": 10**9, "out_octets": n}
            for t, n in ((0, 0), (20, 1_900_000_000), (40, 2_900_000_000))
        ]
        assert http.post("/v1/samples", json={"samples": samples}).json()["accepted"] == 3
        Evaluator(sqlite_engine, Policy(lambda _device, _team: Rule())).run(EPOCH_MS + 120_000)

        told = http.get("/v1/teams/1/windows", params=HALF_HOUR | {"limit": 2}).json()["items"]

        egress, ingress = (window["members"][0] for window in told)
        assert [egress[name] for name in ("utilisation", "lower", "upper")] == pytest.approx(
            [0.64, 0.507, 0.773], abs=5e-4
        )
        assert egress["flags"] == ["uncertain"]
        assert ingress["flags"] == []

    def test_flags_what_the_description_lists(self):
        assert set(get_args(MarkWord)) == set(MARK_WORDS.values())

    def test_tells_the_unknown_as_null(self, played):
        told = played.get("/v1/teams/1/windows", params=HALF_HOUR | {"direction": "egress"}).json()

        # The last sample is of 10:15:00, so that nothing covers the window that begins then.
        last = told["items"][-1]
        assert last["start"] == "2026-11-25T10:15:00Z"
        assert [m["utilisation"] for m in last["members"]] == [None, None]
        assert [m["why_not"] for m in last["members"]] == ["no data", "no data"]
        assert (last["evaluable"], last["even_split"], last["imbalance"]) == (False, None, None)

    def test_tells_both_directions_where_none_is_named(self, played):
        told = played.get("/v1/teams/1/windows", params=HALF_HOUR).json()

        assert [one["direction"] for one in told["items"][:4]] == ["egress", "ingress", "egress", "ingress"]

    def test_is_read_page_by_page_without_gap_or_repeat(self, played):
        whole = played.get("/v1/teams/1/windows", params=HALF_HOUR).json()["items"]
        seen, cursor = [], None
        for _ in range(20):
            told = played.get(
                "/v1/teams/1/windows", params=HALF_HOUR | {"limit": 7} | ({"cursor": cursor} if cursor else {})
            )
            seen += told.json()["items"]
            if not (cursor := told.json()["next"]):
                break

        assert seen == whole
        assert len(whole) == 2 * 31

    def test_is_half_open(self, played):
        query = {"from": "2026-11-25T10:01:00Z", "to": "2026-11-25T10:02:00Z", "direction": "egress"}

        starts = [one["start"] for one in played.get("/v1/teams/1/windows", params=query).json()["items"]]

        assert starts == ["2026-11-25T10:01:00Z", "2026-11-25T10:01:30Z"]

    def test_tells_the_last_hour_where_nothing_is_said(self, played):
        assert len(played.get("/v1/teams/1/windows").json()["items"]) == 62

    @pytest.mark.parametrize(
        "query",
        [
            {"from": "0001-01-01T00:00:00Z", "to": "9999-12-31T23:59:59Z"},
            {"from": "2026-11-25T10:30:00Z", "to": "2026-11-25T10:00:00Z"},
        ],
    )
    def test_bears_any_stretch_of_time(self, played, query):
        answer = played.get("/v1/teams/1/windows", params=query)

        assert answer.status_code == 200
        assert len(answer.json()["items"]) == (62 if query["from"] < query["to"] else 0)

    @pytest.mark.parametrize(
        "query", [{"from": "x"}, {"direction": "up"}, {"limit": 2881}, {"cursor": "!"}, {"form": "x"}]
    )
    def test_refuses_what_it_cannot_use(self, played, query):
        answer = played.get("/v1/teams/1/windows", params=query)

        assert answer.status_code == 400
        assert next(iter(query)) in answer.json()["detail"]

    def test_names_the_members_of_the_time(self, played_engine, played):
        with played_engine.begin() as connection:
            moved = PortName("sm-07", "m3", "front")
            inventory.resolve(connection, [moved], feed="push", now_ms=EPOCH_MS)
            placed = inventory.layout(connection)
            late = windows.read(connection, 1, EPOCH_MS, EPOCH_MS + 30_000).members
            grown = {name: np.repeat(getattr(late, name)[:1], 3, axis=0) for name in vars(late) if name != "span"}
            span = type(late.span)(EPOCH_MS + 930_000, 1)
            windows.write(connection, placed, MemberWindows(span=span, **grown), np.zeros((1, 1, 2), dtype=np.uint8))

        told = played.get("/v1/teams/1/windows", params=HALF_HOUR | {"direction": "egress"}).json()["items"]

        assert [m["port"] for m in told[0]["members"]] == ["m1", "m2"]
        assert [m["port"] for m in told[-1]["members"]] == ["m1", "m2", "m3"]
        assert told[0]["evaluable"]


class TestRollups:
    def test_keep_mean_peak_and_time_above_the_line(self, played):
        told = played.get("/v1/teams/1/rollups", params=HALF_HOUR | {"direction": "egress"}).json()

        first, second = told["items"][:2]
        assert (told["device"], told["team"]) == ("sm-07", "front")
        assert (first["start"], second["start"]) == ("2026-11-25T10:00:00Z", "2026-11-25T10:05:00Z")
        m1 = first["members"][0]
        assert m1["port"] == "m1"
        assert m1["mean"] == pytest.approx(0.92, abs=1e-5)
        assert m1["peak"] == pytest.approx(0.92, abs=1e-5)
        assert (m1["hot_seconds"], m1["coverage"]) == (300, 1)
        assert second["members"][0]["hot_seconds"] == 0

    def test_are_read_page_by_page(self, played):
        first = played.get("/v1/teams/1/rollups", params=HALF_HOUR | {"limit": 1, "direction": "egress"}).json()
        query = HALF_HOUR | {"limit": 1, "direction": "egress", "cursor": first["next"]}

        second = played.get("/v1/teams/1/rollups", params=query).json()

        assert [one["start"] for one in first["items"] + second["items"]] == [
            "2026-11-25T10:00:00Z",
            "2026-11-25T10:05:00Z",
        ]

    def test_of_an_unknown_team_are_404(self, sqlite_engine):
        assert asked(sqlite_engine).get("/v1/teams/1/rollups").status_code == 404
