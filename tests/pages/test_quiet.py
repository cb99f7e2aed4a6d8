import re

import pytest
from web_examples import a_key, asked

from service.pages import site
from service.storage import audit, database, quiet_times

WHOLE = {
    "begins": "2026-11-25T10:00",
    "minutes": "120",
    "zone": "UTC",
    "devices": "sm-*\n uw-06 ",
    "because": "cabling <all>",
}


@pytest.fixture
def http(sqlite_engine):
    http = asked(sqlite_engine)
    site.add(http.app)
    http.follow_redirects = False
    return http


def token(http, **more):
    return re.search(r'name="token" value="([^"]+)"', http.get("/quiet", **more).text)[1]


def announce(http, **changes):
    return http.post("/quiet/new", data={"token": token(http), **WHOLE, **changes})


def standing(engine):
    with database.reading(engine) as connection:
        return quiet_times.standing(connection)


def words(page):
    """A page's words without its elements."""
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


class TestQuiet:
    def test_says_that_none_is_announced(self, http):
        assert "None is announced." in http.get("/quiet").text

    def test_announces_what_the_form_says(self, http, sqlite_engine):
        answer = announce(http, teams="front", sites="Brackenhythe", recurrence="FREQ=WEEKLY")

        assert (answer.status_code, answer.headers["location"]) == (303, "/quiet")
        [made] = standing(sqlite_engine)
        assert (made.devices, made.teams, made.sites) == (("sm-*", "uw-06"), ("front",), ("Brackenhythe",))
        assert (made.minutes, made.recurrence) == (120, "FREQ=WEEKLY")
        assert (made.because, made.set_by) == ("cabling <all>", "loopback")

    def test_shows_what_lasts_and_that_messages_wait(self, http):
        announce(http)

        page = http.get("/quiet").text
        assert "devices sm-*, uw-06 messages wait until 2026-11-25 12:00:00 UTC not again" in words(page)
        assert "cabling &lt;all&gt;" in page
        assert "Messages about devices sm-*, uw-06 wait until 2026-11-25 12:00:00 UTC" in words(http.get("/").text)

    def test_shows_what_is_to_come_and_what_is_over(self, http):
        announce(http, begins="2026-12-01T22:00")
        announce(http, begins="2026-11-01T22:00")

        page = words(http.get("/quiet").text)
        assert "to come 2026-12-01 22:00:00 UTC" in page
        assert "over not again" in page
        assert "wait until" not in words(http.get("/").text)

    @pytest.mark.parametrize(
        ("changes", "why"),
        [
            ({"devices": ""}, "say whom it is about"),
            ({"minutes": "0"}, "minutes"),
            ({"minutes": "soon"}, "whole number"),
            ({"zone": "Mars"}, "no time zone"),
            ({"recurrence": "FREQ=SECONDLY"}, "FREQ is one of"),
            ({"begins": "tomorrow"}, "begins"),
            ({"because": " "}, "because"),
            ({"devices": "x" * 300}, "devices"),
        ],
        ids=str,
    )
    def test_loses_nothing_of_what_was_typed_where_it_is_refused(self, http, sqlite_engine, changes, why):
        answer = announce(http, **{"teams": "front", **changes} if "devices" not in changes else changes)

        assert 400 <= answer.status_code < 500
        assert why.lower() in words(answer.text).lower()
        assert 'value="120"' in answer.text or "minutes" in changes
        assert standing(sqlite_engine) == ()

    def test_ends_one_for_good_and_notes_who_did(self, http, sqlite_engine):
        announce(http)
        [made] = standing(sqlite_engine)

        assert http.post(f"/quiet/{made.id}/end", data={"token": token(http)}).status_code == 303
        assert standing(sqlite_engine) == ()
        assert "Ended by hand" in http.get("/quiet").text
        with database.reading(sqlite_engine) as connection:
            assert {"quiet-time.announce", "quiet-time.end"} <= {one.what for one in audit.listing(connection).items}

    def test_refuses_to_end_one_twice_or_one_that_there_is_not(self, http, sqlite_engine):
        announce(http)
        [made] = standing(sqlite_engine)
        told = {"token": token(http)}
        http.post(f"/quiet/{made.id}/end", data=told)

        assert http.post(f"/quiet/{made.id}/end", data=told).status_code == 409
        assert http.post("/quiet/none/end", data=told).status_code == 404

    def test_lets_viewers_look_and_no_more(self, sqlite_engine, http):
        announce(http)
        viewer = asked(sqlite_engine, client=("192.0.2.7", 5))
        site.add(viewer.app)
        key = a_key(sqlite_engine, "view")

        page = viewer.get("/quiet", headers=key).text
        assert "You may look." in page
        assert "<form" not in page.partition("<main")[2].partition("</main")[0]

    def test_takes_no_form_of_another_page(self, http, sqlite_engine):
        assert http.post("/quiet/new", data=WHOLE).status_code == 403
        assert standing(sqlite_engine) == ()
