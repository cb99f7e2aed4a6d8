import re

import pytest
from close_examples import seconds_after, told
from web_examples import a_key, asked

from service.pages import site
from service.storage import changes, close_looks, database

PLACE = "/teams/1/lab"
APART, TOGETHER = (0.80, 0.10), (0.46, 0.44)


class Clock:
    """A clock that stands where it is put, in seconds after EPOCH_MS."""

    def __init__(self):
        self.after_s = 0

    def __call__(self):
        return seconds_after(self.after_s)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def http(sqlite_engine, clock):
    """Pages over a team whose first samples have come."""
    http = asked(sqlite_engine, now_ms=clock)
    site.add(http.app)
    http.follow_redirects = False
    http.post("/v1/samples", json={"samples": told()})
    return http


def token(http, page=PLACE, **more):
    return re.search(r'name="token" value="([^"]+)"', http.get(page, **more).text)[1]


def send(http, deed, **fields):
    return http.post(f"{PLACE}/{deed}", data={"token": token(http), **fields})


def played(http, clock, every_s=5):
    """A minute apart, a change marked on the page, a minute together."""
    send(http, "begin", seconds="5", minutes="15")
    clock.after_s = 60
    send(http, "mark", what="hashed by addresses & ports <all>", kind="method")
    clock.after_s = 120
    http.post("/v1/samples", json={"samples": told((60, APART), (60, TOGETHER), every_s=every_s)})
    return http.get(PLACE).text


def words(page):
    """A page's words without its elements."""
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


class TestWithoutALook:
    def test_says_so_and_offers_one(self, http):
        page = http.get(PLACE)

        assert page.status_code == 200
        assert "Nobody looks closely at this team." in page.text
        assert f'action="{PLACE}/begin"' in page.text
        assert f'action="{PLACE}/mark"' not in page.text

    def test_says_what_to_mind_before_traffic_is_pushed(self, http):
        said = words(http.get(PLACE).text)

        for caution in ("links you own or have leave for", "an agreed time", "your own change control", "first harm"):
            assert caution in said

    def test_of_a_team_that_is_not_there_is_none(self, http):
        assert http.get("/teams/9/lab").status_code == 404


class TestBegin:
    def test_begins_and_shows_it(self, http):
        answer = send(http, "begin", seconds="10", minutes="30")

        assert (answer.status_code, answer.headers["location"]) == (303, PLACE)
        assert "Windows of 10 s until 2026-11-25 10:30:00 UTC" in words(http.get(PLACE).text)

    @pytest.mark.parametrize(
        ("fields", "named"),
        [
            ({"seconds": "7", "minutes": "5"}, "seconds"),
            ({"seconds": "5", "minutes": "0"}, "minutes"),
            ({"seconds": "5", "minutes": "61"}, "minutes"),
            ({"seconds": "5", "minutes": "five"}, "minutes"),
            ({"seconds": "5", "minutes": "²"}, "minutes"),
            ({"minutes": "5"}, "seconds"),
        ],
    )
    def test_refuses_what_it_does_not_do(self, http, fields, named):
        answer = send(http, "begin", **fields)

        assert answer.status_code == 400
        assert named in words(answer.text)

    def test_says_when_too_many_look(self, http, sqlite_engine):
        with sqlite_engine.begin() as connection:
            for team_id in range(2, 2 + close_looks.MOST):
                look = close_looks.CloseLook(team_id, 5000, seconds_after(0), seconds_after(600), "A. Wren")
                close_looks.begin(connection, look)
        answer = send(http, "begin", seconds="5", minutes="5")

        assert answer.status_code == 409
        assert "8 teams are looked at closely already" in words(answer.text)

    def test_asks_for_a_form_of_our_own(self, http):
        assert http.post(f"{PLACE}/begin", data={"seconds": "5", "minutes": "5"}).status_code == 403

    def test_is_for_those_who_operate(self, http, sqlite_engine):
        key = a_key(sqlite_engine, "view")

        assert "<form" not in http.get(PLACE, headers=key).text.split("</main>")[0]
        for deed in ("begin", "end", "mark"):
            assert http.post(f"{PLACE}/{deed}", data={"token": "x"}, headers=key).status_code == 403


class TestEnd:
    def test_ends_it_and_keeps_showing_what_was_seen(self, http, clock):
        played(http, clock)
        answer = send(http, "end")
        page = http.get(PLACE).text

        assert (answer.status_code, answer.headers["location"]) == (303, PLACE)
        assert "ended at 2026-11-25 10:02:00 UTC" in words(page)
        assert "<svg xmlns" in page
        assert f'action="{PLACE}/mark"' not in page


class TestMark:
    def test_records_a_change_now(self, http, clock, sqlite_engine):
        send(http, "begin", seconds="5", minutes="15")
        clock.after_s = 60
        answer = send(http, "mark", what="hash by ports", kind="method", who="A. Wren", reference="CH-7")
        with database.reading(sqlite_engine) as connection:
            (change,) = changes.listing(connection).items
            lines = changes.lines(connection, change.id)

        assert answer.status_code == 303
        assert (change.at_ms, change.what, change.who) == (seconds_after(60), "hash by ports", "A. Wren")
        assert (change.kind, change.reference, change.created_by) == ("method", "CH-7", "loopback")
        assert [line.direction for line in lines] == ["egress", "ingress"]

    @pytest.mark.parametrize(
        ("fields", "named"),
        [({"kind": "magic"}, "kind"), ({"kind": "other", "what": "x" * 2001}, "what"), ({}, "kind")],
    )
    def test_refuses_what_cannot_be_recorded(self, http, fields, named):
        send(http, "begin", seconds="5", minutes="15")
        answer = send(http, "mark", **fields)

        assert answer.status_code == 400
        assert named in words(answer.text)


class TestShown:
    def test_tells_time_to_shift_and_the_verdict_so_far(self, http, clock):
        said = words(played(http, clock))

        assert "All members on their new shares 0 s after the change, give or take 5 s." in said
        assert "So far, in the lab, not the recorded verdict" in said
        assert "Evened out: busiest member 35.0 points above the even split before, 1.0 after" in said
        assert "0 frames" in said

    def test_says_so_before_it_can_be_told(self, http, clock):
        send(http, "begin", seconds="5", minutes="15")
        clock.after_s = 60
        send(http, "mark", what="", kind="method")
        clock.after_s = 70
        http.post("/v1/samples", json={"samples": told((60, APART), (10, TOGETHER))})
        said = words(http.get(PLACE).text)

        assert "Not yet: 2 windows since the change" in said
        assert "Cannot tell yet" in said
        assert "that are needed on either side" in said

    def test_shows_the_figures_that_rest_gives(self, http, clock):
        page, rest = played(http, clock), http.get("/v1/teams/1/close-look").json()
        table = page.split('id="lab-windows-egress"')[1].split("</table>")[0]
        rows = [re.findall(r">([^<>]+)</t[hd]>", row) for row in table.split("<tr ")[1:]]
        way = rest["directions"][0]

        assert len(rows) == len(rest["starts"]) == 24
        for at, row in enumerate(reversed(rows)):
            figures = [way["members"][0], way["members"][1]]
            said = [f"{100 * one[of][at]:.1f} %" for one in figures for of in ("utilisation", "share")]
            assert row == [rest["starts"][at][11:19], *said, f"{100 * way['even_split'][at]:.1f} %", "in whole"]

    def test_draws_both_directions_with_the_change_marked(self, http, clock):
        page = played(http, clock)

        assert page.count('class="plot broad"') == page.count('class="plot narrow"') == 2
        assert "hashed by addresses &amp; ports &lt;all&gt;" in page
        assert "<all>" not in page

    def test_says_what_to_do_where_samples_come_too_seldom(self, http, clock):
        said = words(played(http, clock, every_s=10))

        assert "Samples come every 10 s, pushed by their source: have it push every 5 s" in said
        assert "lopside push --interval 5" in said
        assert "an interpolation, drawn hollow" in said
        assert " interpolated " in said

    def test_is_followed_live(self, http):
        assert 'data-live="lab:1"' in http.get(PLACE).text

    def test_changes_nothing_by_being_looked_at(self, http, clock, sqlite_engine):
        played(http, clock)
        with database.reading(sqlite_engine) as connection:
            before = close_looks.of_team(connection, 1), changes.listing(connection).items
        http.get(PLACE)
        with database.reading(sqlite_engine) as connection:
            assert (close_looks.of_team(connection, 1), changes.listing(connection).items) == before
