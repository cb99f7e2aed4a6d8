"""Signing in on a page. Outside: the Fetch standard (sec-fetch-site, Origin), RFC 6265 section 5 (cookies)."""

from __future__ import annotations

import re

import pytest
from web_examples import NOW_MS, a_key, asked

from service.pages import site
from service.pages.signing import LASTS_MS, MOST_FAILURES, local
from service.storage import audit, database, keys, retention, sessions, tables

FAR = "https://lopside.brackenhythe.example"


def opened(engine, base_url=FAR, **told):
    """A browser elsewhere, that has to sign in."""
    client = asked(engine, base_url=base_url, client=("192.0.2.7", 50_000), open_on_loopback=False, **told)
    site.add(client.app)
    client.follow_redirects = False
    return client


def token_in(answer):
    return re.search(r'name="token" value="([0-9a-f]{128})"', answer.text)[1]


def signed_in(client, secret, to="/", headers=()):
    fields = {"token": token_in(client.get("/sign-in")), "key": secret, "to": to}
    return client.post("/sign-in", data=fields, headers=dict(headers))


def secret_of(engine, role="operate"):
    return a_key(engine, role)["authorization"].removeprefix("Bearer ")


class TestSignIn:
    def test_is_asked_of_strangers_and_leads_back(self, sqlite_engine):
        answer = opened(sqlite_engine).get("/exports?device=x")
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?to=%2Fexports%3Fdevice%3Dx")

    def test_opens_the_pages_for_a_key(self, sqlite_engine):
        client = opened(sqlite_engine)
        answer = signed_in(client, secret_of(sqlite_engine), "/learn")
        assert (answer.status_code, answer.headers["location"]) == (303, "/learn")
        assert client.get("/").status_code == 200

    def test_keeps_a_cookie_that_no_script_and_no_other_site_uses(self, sqlite_engine):
        told = signed_in(opened(sqlite_engine), secret_of(sqlite_engine)).headers["set-cookie"]
        for said in ("HttpOnly", "SameSite=strict", "Secure", f"Max-Age={LASTS_MS // 1000}", "Path=/"):
            assert said in told

    def test_ends_after_half_a_day(self, sqlite_engine):
        now_ms = NOW_MS
        client = opened(sqlite_engine, now_ms=lambda: now_ms)
        signed_in(client, secret_of(sqlite_engine))
        now_ms = NOW_MS + LASTS_MS
        assert client.get("/").status_code == 303

    def test_gives_a_new_cookie_whatever_was_held(self, sqlite_engine):
        client = opened(sqlite_engine)
        client.get("/sign-in")
        held = client.cookies["lopside_session"]
        signed_in(client, secret_of(sqlite_engine))
        assert client.cookies["lopside_session"] != held

    def test_shows_and_notes_no_key(self, sqlite_engine):
        client, secret = opened(sqlite_engine), secret_of(sqlite_engine)
        wrong = signed_in(client, "lopside_wrong-one")
        signed_in(client, secret)
        with database.reading(sqlite_engine) as connection:
            lines = audit.listing(connection).items
        assert wrong.status_code == 403
        assert "wrong-one" not in wrong.text
        assert {line.what for line in lines} >= {"session.begin", "session.refused"}
        assert secret not in str(lines)
        assert "wrong-one" not in str(lines)

    def test_takes_no_more_than_some_failures_a_minute(self, sqlite_engine):
        client = opened(sqlite_engine)
        for _ in range(MOST_FAILURES):
            assert signed_in(client, "wrong").status_code == 403
        assert signed_in(client, secret_of(sqlite_engine)).status_code == 503

    @pytest.mark.parametrize(
        "headers",
        [{"origin": "https://elsewhere.example"}, {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}],
    )
    def test_is_not_taken_from_another_site(self, sqlite_engine, headers):
        answer = signed_in(opened(sqlite_engine), secret_of(sqlite_engine), headers=headers.items())
        assert answer.status_code == 403
        assert "form of another site" in answer.text

    @pytest.mark.parametrize("token", ["", "0" * 64])
    def test_is_not_taken_without_the_token_of_the_form(self, sqlite_engine, token):
        client = opened(sqlite_engine)
        client.get("/sign-in")
        answer = client.post("/sign-in", data={"token": token, "key": secret_of(sqlite_engine)})
        assert answer.status_code == 403

    def test_is_not_taken_with_the_token_of_another_browser(self, sqlite_engine):
        foreign, client = token_in(opened(sqlite_engine).get("/sign-in")), opened(sqlite_engine)
        client.get("/sign-in")
        answer = client.post("/sign-in", data={"token": foreign, "key": secret_of(sqlite_engine)})
        assert answer.status_code == 403

    def test_is_not_taken_as_anything_but_a_form(self, sqlite_engine):
        client = opened(sqlite_engine)
        fields = {"token": token_in(client.get("/sign-in")), "key": secret_of(sqlite_engine)}
        assert client.post("/sign-in", json=fields).status_code == 400

    def test_works_where_somebody_else_ends_tls(self, sqlite_engine):
        client = opened(sqlite_engine, FAR.replace("https", "http"))
        headers = {"origin": FAR, "sec-fetch-site": "same-origin"}
        answer = signed_in(client, secret_of(sqlite_engine), headers=headers.items())
        assert answer.status_code == 303
        assert "Secure" in answer.headers["set-cookie"]


class TestSignOut:
    def test_ends_the_session(self, sqlite_engine):
        client = opened(sqlite_engine)
        signed_in(client, secret_of(sqlite_engine))
        kept = client.cookies["lopside_session"]
        answer = client.post("/sign-out", data={"token": token_in(client.get("/"))})
        assert answer.headers["location"] == "/sign-in"
        client.cookies.set("lopside_session", kept)
        assert client.get("/").status_code == 303


class TestSessions:
    def test_end_with_their_key(self, sqlite_engine):
        client = opened(sqlite_engine)
        signed_in(client, secret_of(sqlite_engine))
        with sqlite_engine.begin() as connection:
            keys.revoke(connection, "the operate", NOW_MS)
            assert connection.execute(tables.sessions.select()).all() == []
        assert client.get("/").status_code == 303

    def test_are_forgotten_once_they_ran_out(self, connection):
        keys.make(connection, "somebody", "view", NOW_MS)
        sessions.begin(connection, keys.named(connection, "somebody", NOW_MS), NOW_MS, NOW_MS + 10)
        retention.prune(connection, NOW_MS + 9)
        assert len(connection.execute(tables.sessions.select()).all()) == 1
        retention.prune(connection, NOW_MS + 10)
        assert connection.execute(tables.sessions.select()).all() == []


class TestLocal:
    @pytest.mark.parametrize("to", ["/", "/teams/3?zoom=2h", "/findings?state=open&page=2"])
    def test_keeps_an_address_of_ours(self, to):
        assert local(to) == to

    @pytest.mark.parametrize(
        "to",
        ["//elsewhere.example", "https://elsewhere.example/", "/\\elsewhere.example", "\\\\elsewhere.example",
         "javascript:alert(1)", "/\t/elsewhere.example", "", "teams", "///elsewhere.example", "//[", "/a\r\nb"],
    )  # fmt: skip
    def test_leads_nowhere_else(self, to):
        assert local(to) == "/"


class TestKeylessForms:
    def test_of_this_machine_need_the_token_too(self, sqlite_engine):
        client = asked(sqlite_engine)
        site.add(client.app)
        client.get("/")
        assert client.post("/sign-out", data={"token": "0" * 64}).status_code == 403
