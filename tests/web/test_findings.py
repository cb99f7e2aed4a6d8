import math
from datetime import UTC, datetime
from typing import get_args

import pytest
from examples import EPOCH_MS, a_finding
from sqlalchemy import select
from web_examples import NOW_MS, a_key, asked

from service.storage import audit, deliveries, findings, inventory, judgements, tables
from service.storage.deliveries import Owed
from service.terms import PortName, Severity
from service.web import models


@pytest.fixture
def keep(sqlite_engine):
    return keeper(sqlite_engine)


def keeper(engine):
    """Keeps findings of a team by the names of device and team, which become known."""

    def kept(*found):
        with engine.begin() as connection:
            for finding in found:
                name = PortName(finding.device, f"{finding.team}-m1", finding.team)
                inventory.resolve(connection, [name], feed="push", now_ms=EPOCH_MS)
                findings.save(connection, inventory.team_named(connection, finding.device, finding.team), finding)

    return kept


def ids_of(http, **query):
    answer = http.get("/v1/findings", params=query)
    assert answer.status_code == 200, answer.text
    return [one["id"] for one in answer.json()["items"]]


class TestListing:
    def test_has_13_pages_of_100_for_1234_findings_though_new_ones_are_raised_meanwhile(self, http_of_each, engine):
        keep = keeper(engine)
        # Many are raised in the same instant, as after an outage.
        keep(*(a_finding(id=f"f{k:04}", raised_ms=EPOCH_MS + k // 7) for k in range(1234)))

        seen, cursor, pages = [], None, 0
        while cursor or not pages:
            told = http_of_each.get(
                "/v1/findings", params={"limit": 100} | ({"cursor": cursor} if cursor else {})
            ).json()
            seen += [one["id"] for one in told["items"]]
            cursor, pages = told["next"], pages + 1
            keep(a_finding(id=f"new{pages}", raised_ms=EPOCH_MS + 10_000 + pages))

        assert pages == 13
        assert len(seen) == len(set(seen)) == 1234
        assert not any(one.startswith("new") for one in seen)

    def test_is_empty_where_nothing_was_raised(self, http_of_each):
        assert http_of_each.get("/v1/findings").json() == {"items": [], "next": None}

    @pytest.mark.parametrize(
        ("query", "expected"),
        [
            ({"team": "front"}, ["f1", "f2"]),
            ({"team": "front", "state": "open"}, ["f1"]),
            ({"state": "cleared"}, ["f2"]),
            ({"device": "uw-06"}, ["f3"]),
            ({"severity": ["major", "minor"]}, ["f2", "f3"]),
            ({"kind": "full"}, ["f3"]),
            ({"direction": "ingress"}, ["f3"]),
            ({"operator_state": "ack"}, []),
            ({"since": "2026-11-25T10:01:00Z"}, ["f1", "f2"]),
            ({"until": "2026-11-25T11:01:00+01:00"}, ["f3"]),
        ],
    )
    def test_filters(self, http_of_each, engine, query, expected):
        keeper(engine)(
            a_finding(id="f1"),
            a_finding(id="f2", severity=Severity.MAJOR, cleared_ms=NOW_MS),
            a_finding(
                id="f3",
                device="uw-06",
                team="back",
                kind="full",
                direction="ingress",
                severity=Severity.MINOR,
                raised_ms=EPOCH_MS,
            ),
        )

        assert ids_of(http_of_each, **query) == expected

    def test_refuses_a_filter_that_it_does_not_know_and_lists_those_that_it_does(self, http):
        answer = http.get("/v1/findings", params={"sate": "open"})

        assert answer.status_code == 400
        assert "sate" in answer.json()["detail"]
        for name in ("state", "team", "cursor", "limit"):
            assert name in answer.json()["detail"]

    @pytest.mark.parametrize(
        "query",
        [
            {"limit": 0},
            {"limit": 501},
            {"limit": "many"},
            {"cursor": "abc"},
            {"state": "closed"},
            {"severity": "bad"},
            {"since": "yesterday"},
            {"since": "2026-11-25T10:00:00"},
            {"team": "a\0b"},
        ],
    )
    def test_refuses_values_that_it_cannot_use(self, engine, http_of_each, query):
        answer = http_of_each.get("/v1/findings", params=query)

        if query == {"team": "a\0b"} and engine.dialect.name == "sqlite":  # SQLite can look for a NUL; there is none
            assert answer.json()["items"] == []
            return
        assert answer.status_code == 400, answer.text
        assert next(iter(query)) in answer.json()["detail"] or "value" in answer.json()["detail"]

    @pytest.mark.parametrize("limit", [1, 500])
    def test_takes_limits_from_1_to_500(self, http, limit):
        assert http.get("/v1/findings", params={"limit": limit}).status_code == 200

    def test_tells_times_in_utc_rates_as_whole_numbers_and_the_unknown_as_null(self, http, keep):
        keep(a_finding(even_split=math.nan, discard_ratio=None, raised_ms=EPOCH_MS + 90_250))

        [told] = http.get("/v1/findings").json()["items"]

        assert told["raised_at"] == "2026-11-25T10:01:30.250000Z" or told["raised_at"] == "2026-11-25T10:01:30.250Z"
        assert told["since_at"] == "2026-11-25T10:00:00Z"
        assert told["cleared_at"] is None
        assert told["even_split"] is None
        assert told["discard_ratio"] is None
        assert told["stranded_bps"] == 980_000_000
        assert isinstance(told["stranded_bps"], int)
        assert set(told["evidence"]) == {"for", "against", "missing"}

    def test_needs_a_key_that_may_look(self, sqlite_engine):
        http = asked(sqlite_engine, open_on_loopback=False)

        assert http.get("/v1/findings").status_code == 401
        assert http.get("/v1/findings", headers=a_key(sqlite_engine, "feed")).status_code == 403
        assert http.get("/v1/findings", headers=a_key(sqlite_engine, "view")).status_code == 200


class TestOne:
    def test_tells_evidence_history_messages_and_the_text_for_people(self, http, keep, sqlite_engine):
        keep(a_finding(id="f1"))
        with sqlite_engine.begin() as connection:
            findings.note(connection, "f1", NOW_MS, "raised", text="It was raised.", details={"windows": 3})
            deliveries.owe(connection, [Owed("d1", "f1", "pager", "raised", "{}", NOW_MS)])

        told = http.get("/v1/findings/f1").json()

        assert told["text"].startswith("sm-07, team front, egress: member m1 at 92 %")
        assert [(line["what"], line["text"], line["details"]) for line in told["history"]] == [
            ("raised", "It was raised.", {"windows": 3})
        ]
        assert [(one["id"], one["route"], one["state"]) for one in told["deliveries"]] == [("d1", "pager", "owed")]

    def test_is_404_for_an_id_that_nothing_has(self, http):
        answer = http.get("/v1/findings/f0")

        assert answer.status_code == 404
        assert "f0" in answer.json()["detail"]


def changes(engine):
    with engine.connect() as connection:
        return [entry.details for entry in audit.listing(connection).items]


def audited(engine):
    with engine.connect() as connection:
        lines = connection.execute(select(tables.audit.c.who, tables.audit.c.what, tables.audit.c.target))
        return [tuple(line) for line in lines]


class TestAck:
    def test_says_who_and_leaves_a_line_in_history_and_audit(self, sqlite_engine, keep):
        keep(a_finding(id="f1"))
        http = asked(sqlite_engine, open_on_loopback=False)
        key = a_key(sqlite_engine, "operate", "night desk")

        told = http.post("/v1/findings/f1/ack", json={"note": "on it", "who": "somebody else"}, headers=key).json()

        assert (told["operator_state"], told["operator"]) == ("ack", "night desk")
        assert [(line["what"], line["who"], line["text"]) for line in told["history"]] == [
            ("ack", "night desk", "on it")
        ]
        assert audited(sqlite_engine) == [("night desk", "finding.ack", "f1")]
        assert changes(sqlite_engine) == [{"from": "none", "to": "ack", "note": "on it"}]

    def test_takes_a_given_name_where_no_key_tells_one(self, http, keep):
        keep(a_finding(id="f1"))

        assert http.post("/v1/findings/f1/ack", json={"who": "Ada"}).json()["operator"] == "Ada"

    def test_needs_no_body(self, http, keep):
        keep(a_finding(id="f1"))

        assert http.post("/v1/findings/f1/ack").json()["operator_state"] == "ack"

    def test_again_is_no_harm_and_leaves_the_first_as_it_was(self, http, keep):
        keep(a_finding(id="f1"))
        http.post("/v1/findings/f1/ack", json={"who": "Ada"})

        told = http.post("/v1/findings/f1/ack", json={"who": "Ben"}).json()

        assert told["operator"] == "Ada"
        assert len(told["history"]) == 1

    def test_is_refused_once_it_is_closed(self, http, keep):
        keep(a_finding(id="f1"))
        http.post("/v1/findings/f1/close")

        answer = http.post("/v1/findings/f1/ack")

        assert answer.status_code == 409
        assert "closed" in answer.json()["detail"]

    @pytest.mark.parametrize("verb", ["ack", "close", "note"])
    def test_is_404_for_an_id_that_nothing_has(self, http, sqlite_engine, verb):
        assert http.post(f"/v1/findings/f0/{verb}", json={"note": "x"}).status_code == 404
        assert audited(sqlite_engine) == []

    @pytest.mark.parametrize("verb", ["ack", "close", "note"])
    @pytest.mark.parametrize("role", ["feed", "view"])
    def test_is_for_operators(self, sqlite_engine, keep, verb, role):
        keep(a_finding(id="f1"))
        http = asked(sqlite_engine, open_on_loopback=False)

        answer = http.post(f"/v1/findings/f1/{verb}", json={"note": "x"}, headers=a_key(sqlite_engine, role))

        assert answer.status_code == 403
        assert audited(sqlite_engine) == []


class TestClose:
    def test_may_follow_an_ack_and_come_again(self, http, keep, sqlite_engine):
        keep(a_finding(id="f1"))
        for verb in ("ack", "close", "close"):
            told = http.post(f"/v1/findings/f1/{verb}").json()

        assert told["operator_state"] == "closed"
        assert told["state"] == "open", "measuring and clearing go on"
        assert [what for _who, what, _target in audited(sqlite_engine)] == ["finding.ack", "finding.closed"]


class TestNote:
    def test_adds_a_line(self, http, keep, sqlite_engine):
        keep(a_finding(id="f1"))

        told = http.post("/v1/findings/f1/note", json={"note": "cable swapped", "who": "Ada"}).json()

        assert [(line["what"], line["who"], line["text"]) for line in told["history"]] == [
            ("note", "Ada", "cable swapped")
        ]
        assert told["operator_state"] == "none"
        assert audited(sqlite_engine) == [("Ada", "finding.note", "f1")]

    @pytest.mark.parametrize(
        "remark", [{}, {"note": ""}, {"note": "x" * 2001}, {"note": 1}, {"note": "x", "by": "y"}, []]
    )
    def test_refuses_one_that_says_nothing_or_too_much(self, http, keep, remark):
        keep(a_finding(id="f1"))

        answer = http.post("/v1/findings/f1/note", json=remark)

        assert answer.status_code == 422
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["errors"][0]["where"].startswith("body")


DAY_MS = 86_400_000
REASON = "copy of the week, until it is done"


def at(ms):
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat()


def shelved(http, until_ms=NOW_MS + DAY_MS, note=REASON, **more):
    return http.post("/v1/findings/f1/shelve", json={"until": at(until_ms), "note": note, **more})


class TestShelve:
    """Refused with an empty reason or for more than 14 days: the product's own rule."""

    def test_keeps_until_when_why_and_by_whom(self, http_of_each, engine):
        keeper(engine)(a_finding(id="f1"))

        told = shelved(http_of_each, who="R. Olin").json()

        assert told["operator_state"] == "shelved"
        assert told["operator"] == "R. Olin"
        assert told["shelved_until_at"] == "2026-11-26T10:02:00Z"
        line = told["history"][-1]
        assert (line["what"], line["who"], line["text"]) == ("shelved", "R. Olin", REASON)
        assert line["details"] == {"from": "none", "to": "shelved", "until": "2026-11-26T10:02:00Z"}

    def test_leaves_a_line_of_audit(self, http, sqlite_engine, keep):
        keep(a_finding(id="f1"))
        shelved(http)

        with sqlite_engine.begin() as connection:
            line = audit.listing(connection).items[0]
        assert (line.what, line.target, line.details["note"]) == ("finding.shelved", "f1", REASON)

    @pytest.mark.parametrize(("note", "status"), [("", 422), ("   ", 409)])
    def test_refuses_an_empty_reason(self, http, keep, note, status):
        keep(a_finding(id="f1"))

        assert shelved(http, note=note).status_code == status
        assert http.get("/v1/findings/f1").json()["operator_state"] == "none"

    @pytest.mark.parametrize("until_ms", [NOW_MS, NOW_MS - 1000, NOW_MS + 14 * DAY_MS + 1])
    def test_refuses_an_end_that_is_past_or_more_than_14_days_ahead(self, http, keep, until_ms):
        keep(a_finding(id="f1"))

        assert shelved(http, until_ms).status_code == 409

    def test_takes_an_end_in_just_14_days(self, http, keep):
        keep(a_finding(id="f1"))

        assert shelved(http, NOW_MS + 14 * DAY_MS).status_code == 200

    def test_refuses_one_that_is_closed(self, http, keep):
        keep(a_finding(id="f1"))
        http.post("/v1/findings/f1/close")

        assert shelved(http).status_code == 409

    def test_is_for_those_who_operate(self, sqlite_engine, keep):
        keep(a_finding(id="f1"))
        http = asked(sqlite_engine, open_on_loopback=False)

        told = http.post(
            "/v1/findings/f1/shelve",
            json={"until": at(NOW_MS + DAY_MS), "note": REASON},
            headers=a_key(sqlite_engine, "view"),
        )

        assert told.status_code == 403


class TestUnshelve:
    def test_takes_it_off_the_shelf(self, http, keep):
        keep(a_finding(id="f1"))
        shelved(http)

        told = http.post("/v1/findings/f1/unshelve").json()

        assert (told["operator_state"], told["shelved_until_at"]) == ("none", None)
        assert [line["what"] for line in told["history"]] == ["shelved", "unshelved"]

    def test_refuses_one_that_is_not_shelved(self, http, keep):
        keep(a_finding(id="f1"))

        assert http.post("/v1/findings/f1/unshelve").status_code == 409


class TestWrong:
    def test_keeps_the_cause_and_leaves_the_finding_as_it_is(self, http, sqlite_engine, keep):
        keep(a_finding(id="f1"))
        told = http.post("/v1/findings/f1/wrong", json={"cause": "standby-not-declared"}).json()

        assert (told["state"], told["operator_state"]) == ("open", "none")
        assert (told["history"][-1]["what"], told["history"][-1]["details"]) == (
            "wrong",
            {"cause": "standby-not-declared"},
        )
        with sqlite_engine.begin() as connection:
            assert judgements.counts(connection, NOW_MS, NOW_MS + 1) == {"standby-not-declared": 1}

    def test_knows_the_causes_that_are_counted(self):
        assert get_args(models.Cause) == judgements.CAUSES

    def test_wants_words_for_another_cause(self, http, keep):
        keep(a_finding(id="f1"))

        assert http.post("/v1/findings/f1/wrong", json={"cause": "other"}).status_code == 409
        assert http.post("/v1/findings/f1/wrong", json={"cause": "other", "note": "a drill"}).status_code == 200

    def test_is_taken_back_once(self, http, keep):
        keep(a_finding(id="f1"))
        http.post("/v1/findings/f1/wrong", json={"cause": "speed-wrong"})

        assert http.post("/v1/findings/f1/right").status_code == 200
        assert http.post("/v1/findings/f1/right").status_code == 409
