import pytest
from examples import EPOCH_MS

from service.web import replays

FROM = "2026-11-25T10:00:00Z"
WHOLE = {"from": FROM, "hours": 1}


def asked(http, **told):
    return http.post("/v1/replays", json={**WHOLE, **told})


class TestAnswer:
    def test_lists_what_other_rules_would_not_have_raised(self, played):
        told = asked(played, tried={"hot_above": 0.95}).json()

        assert (told["present"]["findings"], told["tried"]["findings"], told["same"]) == (1, 0, 0)
        [one] = told["differences"]
        assert (one["what"], one["device"], one["team"], one["direction"]) == (
            "only-present",
            "sm-07",
            "front",
            "egress",
        )
        assert one["present"]["hot"] == ["m1"]
        assert one["tried"] is None
        assert told["to"] == "2026-11-25T10:17:00Z"  # not beyond now

    def test_has_no_difference_between_the_same_rules(self, played):
        told = asked(played, tried={}).json()

        assert (told["same"], told["differences"]) == (1, [])

    def test_compares_with_what_is_told(self, played):
        told = asked(played, tried={"hot_above": 0.75}, against={"hot_above": 0.95}).json()

        assert [one["what"] for one in told["differences"]] == ["only-tried"]

    def test_measures_samples_where_windows_were_of_another_length(self, played):
        told = asked(played, tried={"window_seconds": 60}).json()

        assert [one["fields"] for one in told["differences"]] != []
        assert told["tried"]["findings"] == 1

    def test_finds_what_was_found_when_it_was_played(self, played):
        [kept] = played.get("/v1/findings").json()["items"]

        [one] = asked(played, tried={"hot_above": 0.95}).json()["differences"]

        for name in ("kind", "severity", "since_at", "raised_at", "cleared_at"):
            assert one["present"][name] == kept[name], name

    def test_is_of_the_devices_that_were_named(self, played):
        assert asked(played, tried={}, devices=["sm-07"]).json()["teams"] == 1
        assert asked(played, tried={}, devices=["sm-99"]).status_code == 409

    def test_leaves_everything_as_it_was(self, played):
        before = played.get("/v1/findings").json(), played.get("/v1/deliveries").json()

        asked(played, tried={"hot_above": 0.95})

        assert (played.get("/v1/findings").json(), played.get("/v1/deliveries").json()) == before

    @pytest.mark.parametrize(
        ("told", "status"),
        [
            ({"tried": {"hot_above": 0.7}}, 409),
            ({"tried": {"raise_windows": 5}}, 409),
            ({"tried": {"hot_above": 75}}, 422),
            ({"tried": {"hot": 0.7}}, 422),
            ({"tried": {}, "hours": 169}, 422),
            ({"tried": {}, "hours": 0}, 422),
            ({"tried": {}, "from": "2026-11-25T10:00:00"}, 422),
            ({}, 422),
        ],
    )
    def test_refuses(self, played, told, status):
        answer = asked(played, **told)

        assert answer.status_code == status
        assert answer.json()["detail"]

    def test_refuses_what_takes_too_long(self, played, monkeypatch):
        monkeypatch.setattr(replays, "BUDGET_MS", -1)

        answer = asked(played, tried={})

        assert answer.status_code == 409
        assert "ask for fewer devices or hours" in answer.json()["detail"]

    def test_works_at_one_at_a_time(self, played):
        services = played.app.state.services
        assert services.replays.acquire(blocking=False)
        try:
            assert asked(played, tried={}).status_code == 503
        finally:
            services.replays.release()
        assert asked(played, tried={}).status_code == 200

    def test_counts_hours_from_what_is_told(self, played):
        told = asked(played, tried={}, **{"from": "2026-11-25T09:30:00Z"}).json()

        assert told["from"] == "2026-11-25T09:30:00Z"
        assert told["windows"] == 2 * 94  # 30 s each up to 10:17, both directions
        assert EPOCH_MS % 30_000 == 0
