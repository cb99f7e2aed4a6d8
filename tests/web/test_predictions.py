import pytest
from examples import EPOCH_MS
from storage_examples import a_prediction, a_verdict
from web_examples import NOW_MS, a_key, asked

from service.storage import audit, changes, inventory, predictions
from service.terms import Outcome, PortName, Side

EVEN_ODDS = {"items_bps": [480e6, 480e6], "links_bps": [1e9, 1e9]}


def told(**more):
    return {"device": "sm-07", "team": "front", "direction": "egress", "option": "layer4-tuple", **more}


@pytest.fixture
def http(http_of_each, engine):
    with engine.begin() as connection:
        names = [PortName("sm-07", f"m{m}", "front") for m in (1, 2)]
        inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
    return http_of_each


def change(http, **more):
    body = {"at": "2026-11-25T10:01:00Z", "what": "hash", "teams": [{"device": "sm-07", "team": "front"}], **more}
    return http.post("/v1/changes", json=body).json()


class TestForetell:
    def test_keeps_what_is_stated(self, http):
        answer = http.post("/v1/predictions", json=told(success=0.93, text="eight items", seed=7))

        assert answer.status_code == 201, answer.text
        made = answer.json()
        assert (made["success"], made["made_at"], made["made_by"]) == (0.93, "2026-11-25T10:02:00Z", "loopback")
        assert (made["text"], made["seed"], made["change_id"]) == ("eight items", 7, None)
        assert http.get(f"/v1/predictions/{made['id']}").json() == made

    def test_draws_from_what_it_is_given_and_keeps_that_with_it(self, http):
        # Two items of 480 Mbit/s on two links of 1 Gbit/s, line 75 %: one half, by hand.
        made = http.post("/v1/predictions", json=told(inputs=EVEN_ODDS, seed=3)).json()

        assert made["success"] == 0.5
        assert made["inputs"]["items_bps"] == [480e6, 480e6]
        assert (made["inputs"]["line"], made["seed"]) == (0.75, 3)

    @pytest.mark.parametrize(
        ("more", "status"),
        [
            ({"success": 0}, 201),
            ({"success": 1}, 201),
            ({"success": -0.001}, 422),
            ({"success": 1.001}, 422),
            ({"success": 0.5, "team": "back"}, 404),
            ({"success": 0.5, "direction": "both"}, 422),
            ({"success": 0.5, "option": "luck"}, 422),
            ({}, 409),
            ({"inputs": {"items_bps": [1e9], "links_bps": [1e9, 1e9], "background_bps": [0]}}, 409),
            ({"inputs": {"items_bps": [], "links_bps": [1e9]}}, 422),
        ],
    )
    def test_refuses_what_it_cannot_use(self, http, more, status):
        answer = http.post("/v1/predictions", json=told(**more))

        assert answer.status_code == status, answer.text

    def test_is_refused_once_a_change_of_the_team_is_made(self, http):
        change(http)

        answer = http.post("/v1/predictions", json=told(success=0.93))
        later = http.post("/v1/predictions", json=told(success=0.93, later_change=True))

        assert answer.status_code == 409
        assert "hindsight" in answer.json()["detail"]
        assert later.status_code == 201

    def test_is_taken_again_once_the_verdict_is_final(self, http, engine):
        made = change(http)
        with engine.begin() as connection:
            for line in changes.lines(connection, made["id"]):
                changes.tell(connection, line, a_verdict(), NOW_MS, final=True)

        assert http.post("/v1/predictions", json=told(success=0.93)).status_code == 201

    def test_leaves_a_line_in_the_audit(self, http, engine):
        made = http.post("/v1/predictions", json=told(success=0.93)).json()

        with engine.connect() as connection:
            (line,) = audit.listing(connection).items
        assert (line.what, line.target, line.details["success"]) == ("prediction.make", made["id"], 0.93)

    @pytest.mark.parametrize("role", ["feed", "view"])
    def test_is_for_operators(self, sqlite_engine, role):
        http = asked(sqlite_engine, open_on_loopback=False)

        answer = http.post("/v1/predictions", json=told(success=1), headers=a_key(sqlite_engine, role))

        assert answer.status_code == 403


class TestFromAFinding:
    """Of a team at 92 % and 2 %, as walks/traffic.py plays it."""

    def foretell(self, played, **more):
        (finding,) = played.get("/v1/findings").json()["items"]
        return played.post("/v1/predictions", json=told(finding_id=finding["id"], option="leave") | more)

    def test_takes_the_odds_of_its_advice_with_what_they_rest_on(self, played):
        # Left as it is, m1 stays above the hot line: no chance, by the definition of success.
        made = self.foretell(played).json()

        assert made["success"] == 0
        assert made["inputs"]["chances"][0]["success"] == 0
        assert "m1 920 Mbit/s of 1 Gbit/s" in made["inputs"]["rests_on"][0]

    def test_is_refused_where_nobody_can_know_them(self, played):
        answer = self.foretell(played, option="source-mac")

        assert answer.status_code == 409
        assert "source-mac" in answer.json()["detail"]

    def test_is_of_the_team_and_direction_of_the_finding(self, played):
        assert self.foretell(played, direction="ingress").status_code == 409

    def test_is_404_for_an_id_that_nothing_has(self, played):
        assert self.foretell(played, finding_id="f0").status_code == 404


class TestEditing:
    @pytest.mark.parametrize("method", ["put", "patch", "delete"])
    def test_is_not_there(self, http, method):
        made = http.post("/v1/predictions", json=told(success=0.93)).json()

        answer = getattr(http, method)(f"/v1/predictions/{made['id']}")

        assert (answer.status_code, answer.headers["allow"]) == (405, "GET")


class TestListing:
    def test_is_of_a_team_or_a_finding_and_goes_on(self, http, engine):
        with engine.begin() as connection:
            for number in range(3):
                predictions.keep(connection, a_prediction(id=f"p{number}", finding_id=f"f{number}"))

        first = http.get("/v1/predictions", params={"limit": 2, "team_id": 1}).json()
        rest = http.get("/v1/predictions", params={"limit": 2, "cursor": first["next"]}).json()

        assert [one["id"] for one in first["items"] + rest["items"]] == ["p0", "p1", "p2"]
        assert [one["id"] for one in http.get("/v1/predictions?finding_id=f1").json()["items"]] == ["p1"]
        assert http.get("/v1/predictions?team_id=2").json()["items"] == []


class TestScore:
    def test_is_worked_out_from_final_verdicts(self, http, engine):
        # Predictions .50, .50, .93, .00 and outcomes 1, 0, 1, 0: (0.25 + 0.25 + 0.0049 + 0) / 4 = 0.126, by hand.
        with engine.begin() as connection:
            names = [PortName(f"sm-1{k}", f"m{m}", "front") for k in range(4) for m in (1, 2)]
            inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
            for k, success in enumerate((0.5, 0.5, 0.93, 0.0)):
                team_id = inventory.team_named(connection, f"sm-1{k}", "front")
                predictions.keep(connection, a_prediction(id=f"p{k}", team_id=team_id, success=success))
        made = change(http, teams=[{"device": f"sm-1{k}", "team": "front"} for k in range(4)])
        with engine.begin() as connection:
            for line in changes.lines(connection, made["id"]):
                busiest = 0.6 if line.device in ("sm-10", "sm-12") else 0.9
                verdict = a_verdict(Outcome.IMPROVED, after=Side(busiest=busiest))
                changes.tell(connection, line, verdict, NOW_MS, final=line.direction == "egress")

        score = http.get("/v1/predictions/score").json()

        assert (score["count"], round(score["brier"], 3)) == (4, 0.126)
        assert score["text"] == "Brier score 0.126, n = 4: too few to judge (< 20)"
        assert score["by_fifth"] == []

    def test_is_of_nothing_while_nothing_is_final(self, http):
        assert http.get("/v1/predictions/score").json()["brier"] is None
