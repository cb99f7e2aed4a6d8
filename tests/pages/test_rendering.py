import pytest
from web_examples import asked

from service.pages import site
from service.pages.rendering import NAVIGATION, STATIC, static_address
from service.pages.viewers import COOKIE


@pytest.fixture
def http(sqlite_engine):
    http = asked(sqlite_engine)
    site.add(http.app)
    return http


class TestPage:
    @pytest.mark.parametrize("address", [address for _, address, _ in NAVIGATION])
    def test_allows_nothing_from_elsewhere_and_nothing_inline(self, http, address):
        # Content Security Policy Level 3 (W3C): what has no source listed of its own falls back to default-src.
        policy = http.get(address).headers["content-security-policy"]
        told = dict(one.strip().split(" ", 1) for one in policy.split(";"))

        assert told["default-src"] == "'none'"
        assert {sources for name, sources in told.items() if name != "default-src"} <= {"'self'", "'none'"}
        assert told["frame-ancestors"] == told["base-uri"] == "'none'"

    @pytest.mark.parametrize("address", [address for _, address, _ in NAVIGATION])
    def test_holds_no_style_or_handler_that_the_policy_would_block(self, http, address):
        text = http.get(address).text

        assert "<style" not in text
        assert " style=" not in text
        assert " onclick=" not in text
        assert all(" src=" in one.split(">")[0] for one in text.split("<script")[1:])

    def test_gives_a_cookie_once_that_no_script_reads(self, http):
        first, second = http.get("/"), http.get("/")

        # RFC 6265 sections 5.2.5 and 5.2.6; SameSite of its successor.
        assert {"HttpOnly", "SameSite=strict", "Path=/"} <= set(first.headers["set-cookie"].split("; "))
        assert "set-cookie" not in second.headers

    def test_marks_where_the_reader_is(self, http):
        # WAI-ARIA 1.2: aria-current.
        assert http.get("/teams").text.count('aria-current="page"') == 1


class TestKeepCookie:
    @pytest.mark.parametrize(("origin", "is_secure"), [("https://lop.example", True), ("http://lop.example", False)])
    def test_is_for_safe_ways_only_where_the_browser_came_by_one(self, http, origin, is_secure):
        answer = http.get("/", headers={"origin": origin})

        assert COOKIE in answer.headers["set-cookie"]
        assert ("Secure" in answer.headers["set-cookie"].split("; ")) is is_secure


class TestStaticAddress:
    def test_changes_with_the_content(self, monkeypatch, tmp_path):
        addresses = set()
        for content in ("a {}", "b {}", "a {}"):
            (tmp_path / "x.css").write_text(content)
            monkeypatch.setattr("service.pages.rendering.STATIC", tmp_path)
            addresses.add(static_address.__wrapped__("x.css"))

        assert len(addresses) == 2

    def test_names_a_file_that_there_is(self):
        assert (STATIC / static_address("lopside.css").split("?")[0].removeprefix("/static/")).is_file()
