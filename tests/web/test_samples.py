import base64
import gzip
import json
from datetime import UTC, datetime

import pytest
from feed_examples import a_row, as_arrow, as_columnar, as_csv, as_json, as_ndjson
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select
from standardwebhooks import Webhook
from web_examples import HERE, NOW_MS, TestClient, a_key, asked

from service.feeds import body
from service.feeds.limits import IngestLimits
from service.storage import database, tables
from service.web import api
from service.web.services import Services

FORMS = {
    "json": (as_json, body.JSON),
    "columnar": (as_columnar, body.JSON),
    "ndjson": (as_ndjson, body.NDJSON),
    "csv": (as_csv, body.CSV),
    "arrow": (as_arrow, body.ARROW),
}


ONE = as_json([a_row()])


def kept(engine):
    with engine.connect() as connection:
        return connection.execute(select(func.count()).select_from(tables.samples)).scalar_one()


def rows(*ports):
    return [a_row(port=port) for port in ports]


class TestTake:
    @pytest.mark.parametrize("form", FORMS)
    def test_takes_every_form(self, http_of_each, engine, form):
        write, kind = FORMS[form]

        answer = http_of_each.post("/v1/samples", content=write(rows("m1", "m2")), headers={"content-type": kind})

        assert answer.json() == {"accepted": 2, "duplicates": 0, "rejected": []}
        assert kept(engine) == 2

    def test_unpacks_gzip(self, http):
        headers = {"content-type": body.CSV, "content-encoding": "gzip"}

        answer = http.post("/v1/samples", content=gzip.compress(as_csv(rows("m1"))), headers=headers)

        assert answer.json()["accepted"] == 1

    def test_takes_the_good_beside_the_bad_and_says_which_and_why(self, http):
        batch = [a_row(), a_row(time="noon"), a_row(port="m2"), a_row(port="m3", in_octets=-1)]

        told = http.post("/v1/samples", content=as_json(batch), headers={"content-type": body.JSON}).json()

        assert told["accepted"] == 2
        assert [one["index"] for one in told["rejected"]] == [1, 3]
        assert told["rejected"][1]["column"] == "in_octets"
        assert told["rejected"][1]["value"] == "-1"
        assert "in_octets" in told["rejected"][1]["reason"]

    def test_changes_nothing_when_a_batch_comes_again(self, http_of_each, engine):
        http_of_each.post("/v1/samples", json={"samples": rows("m1", "m2")})

        told = http_of_each.post("/v1/samples", json={"samples": rows("m1", "m2")}).json()

        assert told == {"accepted": 0, "duplicates": 2, "rejected": []}
        assert kept(engine) == 2

    def test_rejects_what_lies_ahead_by_index(self, http):
        ahead = {"samples": [a_row(time=NOW_MS / 1000 + 601), a_row(time=NOW_MS / 1000 + 599)]}

        told = http.post("/v1/samples", json=ahead).json()

        assert told["accepted"] == 1
        assert told["rejected"][0]["index"] == 0

    @pytest.mark.parametrize(("query", "feed"), [("", "push"), ("?feed=push", "push"), ("?feed=linux", "linux")])
    def test_notes_how_a_batch_came(self, http, query, feed):
        http.post(f"/v1/samples{query}", json={"samples": rows("m1")})

        assert [one["feed"] for one in http.get("/v1/devices").json()["items"]] == [feed]

    @pytest.mark.parametrize("query", ["feed=snmp", "feed=csv", "feed=", "feed=Linux", "fed=linux"])
    def test_knows_no_other_way(self, http, sqlite_engine, query):
        answer = http.post(f"/v1/samples?{query}", json={"samples": rows("m1")})

        assert answer.status_code == 400
        assert kept(sqlite_engine) == 0

    @pytest.mark.parametrize(
        ("content", "kind", "status"),
        [
            (b"", body.JSON, 400),
            (b"{", body.JSON, 400),
            (b"[" * 100_000, body.JSON, 400),
            (b'{"samples": 1}', body.JSON, 400),
            (b"\xff\xfe", body.CSV, 400),
            (b"a,b\r\n1,2\r\n", body.CSV, 400),
            (b"no arrow", body.ARROW, 400),
            (b"x", "text/plain", 415),
            (b"x", "", 415),
        ],
    )
    def test_refuses_what_it_cannot_read_as_a_whole(self, http, sqlite_engine, content, kind, status):
        answer = http.post("/v1/samples", content=content, headers={"content-type": kind})

        assert answer.status_code == status, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["detail"]
        assert kept(sqlite_engine) == 0

    @pytest.mark.parametrize("kind", body.FORMS)
    @settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(
        content=st.binary(max_size=200) | st.text(max_size=200).map(str.encode), packing=st.sampled_from(["", "gzip"])
    )
    def test_bears_any_octets(self, http, kind, content, packing):
        headers = {"content-type": kind, "content-encoding": packing}

        assert http.post("/v1/samples", content=content, headers=headers).status_code in (200, 400)

    def test_refuses_a_body_of_50_megabytes(self, http, sqlite_engine):
        answer = http.post("/v1/samples", content=b" " * 50_000_000, headers={"content-type": body.JSON})

        assert answer.status_code == 413
        assert answer.headers["content-type"] == "application/problem+json"

    def test_refuses_a_large_body_that_does_not_say_how_large_it_is(self, sqlite_engine):
        http = asked(sqlite_engine, max_body_octets=1000)

        answer = http.post("/v1/samples", content=(b" " * 100 for _ in range(11)), headers={"content-type": body.JSON})

        assert answer.status_code == 413

    @pytest.mark.parametrize(("octets", "status"), [(1000, 400), (1001, 413)])
    def test_reads_a_body_up_to_the_limit(self, sqlite_engine, octets, status):
        http = asked(sqlite_engine, max_body_octets=1000)

        answer = http.post("/v1/samples", content=b"x" * octets, headers={"content-type": body.JSON})

        assert answer.status_code == status

    def test_refuses_what_unpacks_to_too_much(self, sqlite_engine):
        http = asked(sqlite_engine, limits=IngestLimits(max_octets=10_000))
        headers = {"content-type": body.JSON, "content-encoding": "gzip"}

        assert http.post("/v1/samples", content=gzip.compress(b" " * 10_001), headers=headers).status_code == 413

    def test_says_to_come_back_while_the_database_is_away(self, tmp_path):
        http = asked(database.open(f"sqlite:///{tmp_path}/nowhere/lopside.sqlite"))

        answer = http.post("/v1/samples", json={"samples": rows("m1")})

        assert answer.status_code == 503
        assert int(answer.headers["retry-after"]) > 0
        assert answer.headers["content-type"] == "application/problem+json"

    def test_says_to_come_back_while_as_many_are_worked_at_as_there_is_room_for(self, sqlite_engine):
        services = Services(engine=sqlite_engine, now_ms=lambda: NOW_MS, most_pushes=1)
        http = TestClient(api.make(services), base_url=HERE, client=("127.0.0.1", 5))
        services.pushes.acquire()

        refused = http.post("/v1/samples", json={"samples": rows("m1")})
        services.pushes.release()

        assert refused.status_code == 503
        assert int(refused.headers["retry-after"]) > 0
        assert "1 pushes" in refused.json()["detail"]
        assert [http.post("/v1/samples", json={"samples": rows("m1")}).status_code for _ in range(3)] == [200] * 3

    def test_gives_its_room_back_after_a_refusal(self, sqlite_engine):
        http = asked(sqlite_engine, most_pushes=1)

        assert [http.post("/v1/samples", content=b"{").status_code for _ in range(3)] == [415] * 3
        assert http.post("/v1/samples", json={"samples": rows("m1")}).status_code == 200

    @pytest.mark.parametrize(("role", "status"), [("feed", 200), ("view", 403), ("operate", 403), ("admin", 200)])
    def test_is_for_feeds(self, sqlite_engine, role, status):
        http = asked(sqlite_engine, open_on_loopback=False)

        answer = http.post("/v1/samples", json={"samples": rows("m1")}, headers=a_key(sqlite_engine, role))

        assert answer.status_code == status
        assert kept(sqlite_engine) == (status == 200)

    @pytest.mark.parametrize("headers", [{}, {"authorization": "Bearer wrong"}, {"authorization": "Basic YTpi"}])
    def test_keeps_nothing_without_a_good_key(self, sqlite_engine, headers):
        http = asked(sqlite_engine, open_on_loopback=False)

        answer = http.post("/v1/samples", json={"samples": rows("m1")}, headers=headers)

        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"
        assert kept(sqlite_engine) == 0


class TestSignedPush:
    """Signed by the reference library of Standard Webhooks, with the key as the shared secret."""

    @pytest.fixture
    def key(self, sqlite_engine):
        return a_key(sqlite_engine, "feed")["authorization"].removeprefix("Bearer ")

    @pytest.fixture
    def push(self, http, key):
        def pushed(content=ONE, *, signed=None, push_id="p1", age_s=0, kind=body.JSON):
            at = datetime.fromtimestamp(NOW_MS // 1000 - age_s, UTC)
            reference = Webhook("whsec_" + base64.b64encode(key.encode()).decode())
            signature = reference.sign(push_id, at, (signed or content).decode())
            headers = {
                "authorization": f"Bearer {key}",
                "content-type": kind,
                "webhook-id": push_id,
                "webhook-timestamp": str(int(at.timestamp())),
                "webhook-signature": signature,
            }
            return http.post("/v1/samples", content=content, headers=headers)

        return pushed

    def test_is_taken(self, push, sqlite_engine):
        assert push().json()["accepted"] == 1
        assert kept(sqlite_engine) == 1

    def test_is_refused_where_the_body_is_not_what_was_signed(self, push, sqlite_engine):
        assert push(as_json(rows("m1")), signed=as_json(rows("m2"))).status_code == 401
        assert kept(sqlite_engine) == 0

    @pytest.mark.parametrize(("age_s", "status"), [(300, 200), (301, 401), (-300, 200), (-301, 401)])
    def test_is_refused_once_it_is_older_than_300_s(self, push, age_s, status):
        assert push(age_s=age_s).status_code == status

    def test_is_refused_when_it_is_played_again(self, push, sqlite_engine):
        push()
        with sqlite_engine.begin() as connection:
            connection.execute(tables.samples.delete())

        assert push().status_code == 401
        assert kept(sqlite_engine) == 0

    def test_may_be_tried_again_under_its_id_where_nothing_was_kept(self, push):
        assert push(kind="text/plain").status_code == 415

        assert push().json()["accepted"] == 1

    def test_may_have_an_id_that_another_feed_has_used(self, http, push, sqlite_engine):
        push()
        other = a_key(sqlite_engine, "feed", "another feed")
        at = datetime.fromtimestamp(NOW_MS // 1000, UTC)
        secret = other["authorization"].removeprefix("Bearer ").encode()
        signature = Webhook("whsec_" + base64.b64encode(secret).decode()).sign("p1", at, ONE.decode())
        named = {"webhook-id": "p1", "webhook-timestamp": str(NOW_MS // 1000), "webhook-signature": signature}

        answer = http.post("/v1/samples", content=ONE, headers={**other, **named, "content-type": body.JSON})

        assert answer.json()["duplicates"] == 1

    def test_needs_its_key(self, http):
        headers = {"webhook-id": "p1", "webhook-timestamp": str(NOW_MS // 1000), "webhook-signature": "v1,AAAA"}

        assert http.post("/v1/samples", json={"samples": rows("m1")}, headers=headers).status_code == 401

    def test_is_required_where_the_settings_say_so(self, sqlite_engine, key):
        http = asked(sqlite_engine, require_signed_pushes=True)

        answer = http.post("/v1/samples", json={"samples": rows("m1")}, headers={"authorization": f"Bearer {key}"})

        assert answer.status_code == 401
        assert "webhook-" in answer.json()["detail"]
        assert kept(sqlite_engine) == 0


class TestRequestBody:
    def test_gives_an_example_that_is_taken(self, http):
        described = http.get("/openapi.json").json()["paths"]["/v1/samples"]["post"]["requestBody"]["content"]

        for kind, example in {k: told["example"] for k, told in described.items() if "example" in told}.items():
            content = example if isinstance(example, str) else json.dumps(example)
            told = http.post("/v1/samples", content=content, headers={"content-type": kind}).json()

            assert told["accepted"] + told["duplicates"] == 1, told

    def test_names_every_form(self, http):
        described = http.get("/openapi.json").json()["paths"]["/v1/samples"]["post"]["requestBody"]["content"]

        assert set(described) == set(body.FORMS)
