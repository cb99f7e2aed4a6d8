import pytest
from examples import EPOCH_MS, a_finding
from storage_examples import a_prediction, a_verdict
from web_examples import NOW_MS, a_key, asked

from service.storage import audit, changes, findings, inventory, predictions
from service.terms import Outcome, PortName

AT = "2026-11-25T10:01:00Z"  # a minute before now, a minute after EPOCH_MS
AT_MS = EPOCH_MS + 60_000


def told(*devices, **more):
    teams = [{"device": device, "team": "front"} for device in devices or ("sm-07",)]
    return {"at": AT, "what": "hash by addresses and ports", "teams": teams, **more}


@pytest.fixture
def teams(engine):
    with engine.begin() as connection:
        names = [PortName(f"sm-{k:02}", f"m{m}", "front") for k in range(1, 31) for m in (1, 2)]
        inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)


@pytest.fixture
def http(http_of_each, teams):
    return http_of_each


class TestRecord:
    def test_says_what_was_told_and_freezes_what_it_is_compared_with(self, http):
        answer = http.post("/v1/changes", json=told(who="T. Haverly", reference="CHG-1", kind="method"))

        assert answer.status_code == 201, answer.text
        change = answer.json()
        assert (change["at"], change["who"], change["reference"], change["kind"]) == (
            AT,
            "T. Haverly",
            "CHG-1",
            "method",
        )
        assert (change["settle_seconds"], change["after_begins_at"]) == (300, "2026-11-25T10:06:00Z")
        assert [(one["team"], one["direction"], one["outcome"]) for one in change["teams"]] == [
            ("front", "egress", "cannot-tell-yet"),
            ("front", "ingress", "cannot-tell-yet"),
        ]
        # Wednesday 25 November 2026: the working days before are Tuesday, Monday and Friday.
        assert change["teams"][0]["baseline"]["days"] == ["2026-11-20", "2026-11-23", "2026-11-24"]
        assert http.get(f"/v1/changes/{change['id']}").json() == change

    def test_takes_thirty_teams_in_one_record(self, http):
        devices = [f"sm-{k:02}" for k in range(1, 31)]

        change = http.post("/v1/changes", json=told(*devices)).json()

        assert len(change["teams"]) == 60
        assert [(one["direction"], one["told"]) for one in change["fleet"]] == [("egress", 0), ("ingress", 0)]
        assert change["outcomes"] == {"cannot-tell-yet": 60}

    def test_told_twice_under_one_name_is_kept_once(self, http):
        first = http.post("/v1/changes", json=told(request="r1"))
        again = http.post("/v1/changes", json=told(request="r1"))
        other = http.post("/v1/changes", json=told(request="r1", what="something else"))

        assert (first.status_code, again.status_code, other.status_code) == (201, 200, 409)
        assert again.json() == first.json()
        assert len(http.get("/v1/changes").json()["items"]) == 1

    def test_leaves_a_line_in_the_audit(self, http, engine):
        change = http.post("/v1/changes", json=told(reference="CHG-1")).json()

        with engine.connect() as connection:
            (line,) = audit.listing(connection).items
        assert (line.who, line.what, line.target) == ("loopback", "change.record", change["id"])
        assert line.details["reference"] == "CHG-1"

    @pytest.mark.parametrize(
        ("more", "status"),
        [
            ({"at": "2026-11-25T10:02:01Z"}, 409),  # still to come
            ({"at": "yesterday"}, 422),
            ({"teams": []}, 422),
            ({"teams": [{"device": "sm-99", "team": "front"}]}, 404),
            ({"what": ""}, 422),
            ({"kind": "magic"}, 422),
            ({"settle_seconds": -1}, 422),
            ({"compare_until": "2026-11-25T10:06:00Z"}, 409),
            ({"compare_until": "2026-11-26T10:06:01Z"}, 409),
            ({"who": 7}, 422),
            ({"sure": True}, 422),
        ],
    )
    def test_refuses_what_it_cannot_use(self, http, more, status):
        answer = http.post("/v1/changes", json=told(**more))

        assert answer.status_code == status, answer.text
        assert http.get("/v1/changes").json()["items"] == []

    @pytest.mark.parametrize(("at", "status"), [("2026-11-25T10:02:00Z", 201), ("2026-11-25T10:02:00.001Z", 409)])
    def test_takes_one_that_was_made_just_now(self, http, at, status):
        assert http.post("/v1/changes", json=told(at=at)).status_code == status

    @pytest.mark.parametrize("role", ["feed", "view"])
    def test_is_for_operators(self, sqlite_engine, role):
        http = asked(sqlite_engine, open_on_loopback=False)

        assert http.post("/v1/changes", json=told(), headers=a_key(sqlite_engine, role)).status_code == 403

    def test_is_said_at_the_findings_that_were_open(self, http, engine):
        with engine.begin() as connection:
            for number, way in enumerate(("egress", "ingress", "egress")):
                cleared_ms = AT_MS - 1 if number == 2 else None
                one = a_finding(id=f"f{number}", direction=way, raised_ms=EPOCH_MS + number, cleared_ms=cleared_ms)
                findings.save(connection, inventory.team_named(connection, "sm-07", "front"), one)
        teams = [{"device": "sm-07", "team": "front", "direction": "egress"}]

        change = http.post("/v1/changes", json=told(teams=teams, who="T. Haverly", reference="CHG-1")).json()

        story = http.get("/v1/findings/f0").json()
        assert story["change"] == "changed 25 Nov 10:01 UTC by T. Haverly, CHG-1"
        (line,) = story["history"]
        assert (line["what"], line["who"], line["details"]["change"]) == ("change", "T. Haverly", change["id"])
        assert [http.get(f"/v1/findings/{one}").json()["change"] for one in ("f1", "f2")] == ["", ""]


class TestPredictionOfAChange:
    def keep(self, engine, **more):
        with engine.begin() as connection:
            team_id = inventory.team_named(connection, "sm-07", "front")
            predictions.keep(connection, a_prediction(team_id=team_id, **more))

    def of(self, change, direction="egress"):
        return next(one["prediction"] for one in change["teams"] if one["direction"] == direction)

    def test_is_the_last_one_made_before_it(self, http, engine):
        for name, made_ms in (("p1", AT_MS - 20), ("p2", AT_MS - 10), ("p3", AT_MS)):
            self.keep(engine, id=name, made_ms=made_ms)

        change = http.post("/v1/changes", json=told()).json()

        assert (self.of(change)["id"], self.of(change)["success"]) == ("p2", 0.93)
        assert self.of(change, "ingress") is None
        assert http.get("/v1/predictions/p2").json()["change_id"] == change["id"]

    def test_answers_to_one_change_only(self, http, engine):
        self.keep(engine, made_ms=AT_MS - 10)
        http.post("/v1/changes", json=told())

        change = http.post("/v1/changes", json=told(what="another")).json()

        assert self.of(change) is None

    @pytest.mark.parametrize(
        ("more", "direction", "status"),
        [
            ({"made_ms": AT_MS - 1}, "egress", 201),
            ({"made_ms": AT_MS}, "egress", 409),  # hindsight
            ({"made_ms": AT_MS - 1}, "ingress", 409),
            ({"made_ms": AT_MS - 1, "id": "p2"}, "egress", 404),
        ],
    )
    def test_may_be_named_where_it_was_made_before(self, http, engine, more, direction, status):
        self.keep(engine, **more)
        teams = [{"device": "sm-07", "team": "front", "direction": direction, "prediction": "p1"}]

        assert http.post("/v1/changes", json=told(teams=teams)).status_code == status


class TestListing:
    def test_filters_by_team_and_time_and_goes_on(self, http):
        for minute in (0, 1):
            http.post("/v1/changes", json=told("sm-07", at=f"2026-11-25T10:0{minute}:00Z"))
        http.post("/v1/changes", json=told("sm-08"))

        every = http.get("/v1/changes", params={"limit": 2}).json()
        rest = http.get("/v1/changes", params={"limit": 2, "cursor": every["next"]}).json()

        assert len(every["items"] + rest["items"]) == 3
        assert rest["next"] is None
        assert len(http.get("/v1/changes", params={"team_id": 7}).json()["items"]) == 2
        assert len(http.get("/v1/changes", params={"since": AT}).json()["items"]) == 2

    def test_needs_a_key_that_may_look(self, sqlite_engine):
        http = asked(sqlite_engine, open_on_loopback=False)

        assert http.get("/v1/changes").status_code == 401
        assert http.get("/v1/changes", headers=a_key(sqlite_engine, "view")).status_code == 200


class TestOne:
    def test_shows_verdicts_and_what_came_of_all_teams(self, http, engine):
        devices = [f"sm-{k:02}" for k in range(1, 11)]
        change = http.post("/v1/changes", json=told(*devices)).json()
        with engine.begin() as connection:
            egress = [line for line in changes.lines(connection, change["id"]) if line.direction == "egress"]
            for line in egress:
                outcome = Outcome.WORSE if line.device == "sm-03" else Outcome.EVENED_OUT
                changes.tell(connection, line, a_verdict(outcome), NOW_MS, final=True)

        whole = http.get(f"/v1/changes/{change['id']}").json()

        egress = whole["fleet"][0]
        assert (egress["told"], egress["better"], egress["is_shown"]) == (10, 9, True)
        assert egress["p"] == pytest.approx(11 / 1024)  # the sign test by hand: (10 + 1) of 2^10
        assert whole["outcomes"] == {"evened-out": 9, "worse": 1, "cannot-tell-yet": 10}
        assert {one["outcome"] for one in whole["teams"] if one["device"] == "sm-03"} == {"worse", "cannot-tell-yet"}

    def test_is_404_for_an_id_that_nothing_has(self, http):
        assert http.get("/v1/changes/c0").status_code == 404

    @pytest.mark.parametrize("method", ["put", "patch", "delete"])
    def test_is_never_edited(self, http, method):
        change = http.post("/v1/changes", json=told()).json()

        assert getattr(http, method)(f"/v1/changes/{change['id']}").status_code == 405
