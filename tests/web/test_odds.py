import pytest
from web_examples import a_key, asked

PATH = "/v1/odds"
TEAM = {
    "items": [{"bps": mbps * 10**6, "link": 0} for mbps in (430, 390, 60, 40)],
    "links": [{"bps": 10**9}, {"bps": 10**9, "background_bps": 20_000_000}],
}


class TestAsked:
    def test_answers_with_chances_by_demand(self, http):
        told = http.post(PATH, json=TEAM).json()

        assert [(one["demand"], one["success"], one["error"]) for one in told["chances"]] == [
            (1.0, 0.5, 0.0),
            (1.5, 0.25, 0.0),
            (2.0, 0.0, 0.0),
        ]

    def test_answers_with_the_best_and_with_placement_by_load(self, http):
        told = http.post(PATH, json=TEAM).json()

        assert (told["best"]["busiest"], told["best"]["proven"]) == (0.47, True)
        assert told["load_aware"]["after"] == [0.49, 0.45]
        assert told["now"] == {"utilisation": [0.92, 0.02], "fits": False}

    def test_leaves_out_what_takes_to_know_where_items_are(self, http):
        told = http.post(PATH, json={**TEAM, "items": [{"bps": 1}, {"bps": 2, "link": 1}]}).json()

        assert (told["now"], told["load_aware"]) == (None, None)

    def test_takes_the_seed_and_tells_it_back(self, http):
        items = [{"bps": 10**7 + at} for at in range(40)]
        question = {"items": items, "links": [{"bps": 2 * 10**8}] * 3, "seed": 9, "demands": [1]}

        [chance] = http.post(PATH, json=question).json()["chances"]

        assert (chance["draws"], chance["seed"]) == (20_000, 9)
        assert chance["error"] > 0

    def test_prints_cautions(self, http):
        assert any("authorised" in text for text in http.post(PATH, json=TEAM).json()["cautions"])

    @pytest.mark.parametrize(
        "change",
        [
            {"items": []},
            {"links": []},
            {"items": [{"bps": 1}] * 65},
            {"links": [{"bps": 1}] * 9},
            {"links": [{"bps": 0}]},
            {"items": [{"bps": -1}]},
            {"items": [{"bps": "1"}]},
            {"line": 0},
            {"line": 1.01},
            {"demands": [0]},
            {"demands": []},
            {"seed": -1},
            {"colour": "red"},
        ],
    )
    def test_refuses_what_is_no_question(self, http, change):
        assert http.post(PATH, json=TEAM | change).status_code == 422

    @pytest.mark.parametrize("change", [{"items": [{"bps": 1, "link": 2}]}, {"items": [{"bps": 1}], "most_moves": 1}])
    def test_refuses_parts_that_do_not_go_together(self, http, change):
        assert http.post(PATH, json=TEAM | change).status_code == 409

    def test_takes_a_whole_number_however_json_writes_it(self, http):
        assert http.post(PATH, json={"items": [{"bps": 5.0}], "links": [{"bps": 1e9}]}).status_code == 200

    def test_may_be_asked_by_whoever_may_look(self, sqlite_engine):
        http = asked(sqlite_engine, open_on_loopback=False)

        assert http.post(PATH, json=TEAM).status_code == 401
        assert http.post(PATH, json=TEAM, headers=a_key(sqlite_engine, "feed")).status_code == 403
        assert http.post(PATH, json=TEAM, headers=a_key(sqlite_engine, "view")).status_code == 200


class TestEqual:
    def test_tells_exact_odds(self, http):
        told = http.get(f"{PATH}/equal?items=4&links=2").json()

        assert (told["all_together"], told["busiest_60"], told["most"]) == (0.125, 0.625, [0, 0, 0.375, 0.5, 0.125])

    @pytest.mark.parametrize("query", ["", "items=0", "items=101", "items=2&links=17", "items=2&colour=red"])
    def test_refuses_what_it_cannot_tell(self, http, query):
        assert http.get(f"{PATH}/equal?{query}").status_code == 400
