import pytest
from fastapi import APIRouter
from web_examples import a_key, asked

from service.pages import routing, site
from service.pages.viewers import COOKIE, TOKEN, Doing, Viewer, Watching, is_token_of, token_of
from service.web.access import Caller

REMOTE = ("192.0.2.7", 50_000)  # RFC 5737: addresses for documentation
FORM = {"content-type": "application/x-www-form-urlencoded"}


def a_router():
    """A page that says who looks, and a form that says what it holds."""
    router: APIRouter = routing.router()

    @router.get("/who")
    def who(viewer: Watching):
        return {"name": viewer.caller.name, "token": viewer.token, "is_new": viewer.is_new}

    @router.post("/done")
    def done(deed: Doing):
        return {"text": deed.text("text"), "all": deed.fields.get("text", []), "none": deed.text("none")}

    return router


def a_client(engine, **told):
    http = asked(engine, **told)
    site.add(http.app)
    http.app.include_router(a_router())
    return http


@pytest.fixture
def http(sqlite_engine):
    return a_client(sqlite_engine)


@pytest.fixture
def visited(http):
    """The token of a page that was shown to this browser."""
    http.cookies.set(COOKIE, "a-cookie")
    return token_of("a-cookie")


class TestTokenOf:
    def test_is_taken_of_who_holds_the_cookie_alone(self):
        assert is_token_of(token_of("one"), "one")
        assert not is_token_of(token_of("one"), "two")

    def test_reads_otherwise_each_time(self):
        # Half of two that are alike would be alike, and the size of a compressed page would tell of it.
        first, second = (bytes.fromhex(token_of("one")) for _ in range(2))

        assert sum(a == b for a, b in zip(first, second, strict=True)) < 10

    @pytest.mark.parametrize("told", ["", "0", "zz", "00" * 63, "00" * 65, "ø"])
    def test_is_nothing_else(self, told):
        assert not is_token_of(told, "one")


class TestViewer:
    @pytest.mark.parametrize(("role", "may"), [("view", {"view"}), ("operate", {"view", "operate"}), ("feed", set())])
    def test_may_do_what_their_role_may(self, role, may):
        viewer = Viewer(Caller("somebody", role, "x"), "cookie")

        assert {word for word in ("view", "operate") if viewer.may(word)} == may


class TestWatching:
    def test_on_this_machine_needs_no_key(self, http):
        assert http.get("/who").status_code == 200

    def test_from_elsewhere_is_asked_to_sign_in_and_led_back(self, sqlite_engine):
        answer = a_client(sqlite_engine, client=REMOTE).get("/who?", follow_redirects=False)

        assert answer.status_code == 303
        assert answer.headers["location"] == "/sign-in?to=%2Fwho"

    def test_with_a_key_is_known_by_its_name(self, sqlite_engine):
        answer = a_client(sqlite_engine, client=REMOTE).get("/who", headers=a_key(sqlite_engine, "view", "Ulrik"))

        assert answer.json()["name"] == "Ulrik"

    def test_with_a_key_that_may_only_tell_is_refused_as_a_page(self, sqlite_engine):
        answer = a_client(sqlite_engine, client=REMOTE).get("/who", headers=a_key(sqlite_engine, "feed"))

        assert answer.status_code == 403
        assert answer.headers["content-type"].startswith("text/html")

    def test_with_a_cookie_that_nobody_gave_signs_nobody_in(self, sqlite_engine):
        http = a_client(sqlite_engine, client=REMOTE)
        http.cookies.set(COOKIE, "made-up")

        assert http.get("/who", follow_redirects=False).status_code == 303


class TestDoing:
    def test_has_each_field_with_all_its_values(self, http, visited):
        told = http.post("/done", data={TOKEN: visited, "text": [" one ", " two "]}).json()

        assert told == {"text": "two", "all": [" one ", " two "], "none": ""}

    @pytest.mark.parametrize("token", ["", "ø", token_of(""), token_of("another")])
    def test_refuses_a_form_that_no_page_of_this_browser_held(self, http, visited, token):
        assert token != visited
        assert http.post("/done", data={TOKEN: token}).status_code == 403

    def test_refuses_a_browser_without_a_cookie(self, http):
        assert http.post("/done", data={TOKEN: token_of("")}).status_code == 403

    # Fetch metadata request headers (W3C) and the Origin header (RFC 6454) say where a form came from.
    @pytest.mark.parametrize(
        "headers", [{"sec-fetch-site": "cross-site"}, {"origin": "https://elsewhere.example"}, {"origin": "null"}]
    )
    def test_refuses_a_form_of_another_site_whatever_it_holds(self, http, visited, headers):
        assert http.post("/done", data={TOKEN: visited}, headers=headers).status_code == 403

    def test_refuses_another_form_than_pages_send(self, http, visited):
        assert http.post("/done", json={TOKEN: visited}).status_code in {400, 415, 422}

    def test_refuses_octets_that_are_no_text(self, http, visited):
        assert http.post("/done", content=b"\xff\xfe", headers=FORM).status_code in {400, 415, 422}

    def test_refuses_more_fields_than_a_page_has(self, http, visited):
        many = f"{TOKEN}={visited}" + "&text=x" * 2_000
        assert http.post("/done", content=many, headers=FORM).status_code in {400, 413, 422}

    def test_refuses_who_may_only_look(self, sqlite_engine):
        http = a_client(sqlite_engine, client=REMOTE)
        http.cookies.set(COOKIE, "a-cookie")
        answer = http.post("/done", data={TOKEN: token_of("a-cookie")}, headers=a_key(sqlite_engine, "view"))

        assert answer.status_code == 403
        assert "operat" in answer.text
