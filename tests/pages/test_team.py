import re

import pytest
from examples import EPOCH_MS
from walks.traffic import polls
from web_examples import asked

from service.evaluation import Evaluator, Policy
from service.pages import site
from service.storage import agreements, claims, events
from service.storage.agreements import CABLE, SUM, Agreement
from service.terms import DECLARED, Claim, DataEvent, Role, Rule

NOW_MS = EPOCH_MS + 420_000
LINE = r"\">changed (\d+) &lt;b&gt;</a>"  # of the list; charts mark changes as well
START_MS = EPOCH_MS + 270_000  # of the last window with samples


@pytest.fixture
def http(sqlite_engine):
    """Pages over five minutes at 92 % and 2 %, seen when the last window with samples was just decided."""
    now_ms = START_MS + 30_000 + 90_000
    http = asked(sqlite_engine, now_ms=lambda: now_ms)
    site.add(http.app)
    assert http.post("/v1/samples", json={"samples": polls((5, (0.92, 0.02)))}).json()["rejected"] == []
    Evaluator(sqlite_engine, Policy(lambda _device, _team: Rule())).run(now_ms)
    return http


@pytest.fixture
def keep(sqlite_engine, http):
    """Keeps something through a function of storage that takes a connection first."""

    def kept(function, *told):
        with sqlite_engine.begin() as connection:
            return function(connection, *told)

    return kept


def a_claim(port, **told):
    return Claim("sm-07", port, DECLARED, "front", **told)


class TestTeam:
    def test_shows_speeds_with_where_they_are_from_as_rest_tells_them(self, http):
        html = http.get("/teams/1").text
        for port in ("m1", "m2"):
            where = f"/v1/teams/1/windows/{_last(http)[0]['start']}/working"
            told = http.get(where, params={"port": port, "direction": "egress"}).json()
            row = re.search(rf'<th scope="row">{port}.*?</tr>', html, re.DOTALL)[0]

            assert told["speed_bps"] == 10**9
            assert "1 Gbit/s" in row
            assert f"<small>{told['speed_source']}</small>" in row

    def test_shows_the_last_window_as_rest_tells_it(self, http):
        html = http.get("/teams/1").text
        for window in _last(http):
            for member in window["members"]:
                share = member["utilisation"]
                told = "unknown" if share is None else f"{share * 100:.1f} %"
                assert f'aria-label="{member["port"]}, {window["direction"]}: {told}"' in html

    def test_says_whether_it_can_lose_a_member(self, http):
        html = http.get("/teams/1").text
        (egress,) = [one for one in _last(http) if one["direction"] == "egress"]

        assert f"others would carry {egress['one_lost'] * 100:.1f} %" in html
        assert "enough, but above the hot line" in html

    def test_says_who_owns_it_where_it_is_and_what_is_at_the_far_end(self, http, keep):
        said = {"owner": "T. Haverly", "site": "Saltmere", "far_device": "sw-s1", "far_port": "g1/0/7"}
        keep(claims.keep, [a_claim("m1", **said)], NOW_MS)
        html = http.get("/teams/1").text

        assert "Owner: T. Haverly. Site: Saltmere." in html
        assert "<small>to sw-s1 g1/0/7</small>" in html

    def test_says_the_role_that_is_believed(self, http, keep):
        keep(claims.keep, [a_claim("m2", role=Role.STANDBY, override=True)], NOW_MS)

        assert "<td>standby</td>" in http.get("/teams/1").text

    def test_leads_to_all_that_belongs_to_it(self, http):
        html = http.get("/teams/1").text
        for link in re.findall(r'href="(/(?:teams/1|changes|exports|v1/exports)[^"]*)"', html):
            assert http.get(link.replace("&amp;", "&")).status_code == 200

    def test_shows_a_bounded_list_of_events_and_leads_to_the_rest(self, http, keep):
        told = [
            DataEvent("sm-07", "" if k % 2 else "m1", EPOCH_MS + k * 1000, "restart", f"said {k}") for k in range(60)
        ]
        keep(events.keep, [*told, DataEvent("sm-07", "m9", EPOCH_MS, "restart", "of another team")])
        html = http.get("/teams/1").text
        link = re.search(r'href="(/teams/1/events[^"]+)"', html)[1]
        following = http.get(link).text
        last = http.get(re.search(r'href="(/teams/1/events\?[^"]+)"', http.get("/teams/1/events").text)[1]).text

        assert re.findall(r"Said (\d+)\.", html) == [str(k) for k in range(59, 49, -1)]
        assert re.findall(r"Said (\d+)\.", following)[0] == "49"
        assert re.findall(r"Said (\d+)\.", last) == [str(k) for k in range(9, -1, -1)]
        assert "of another team" not in html + following + last

    def test_shows_a_bounded_list_of_changes_and_leads_to_the_rest(self, http):
        for k in range(12):
            told = {"at": f"2026-11-25T10:0{k // 6}:{k % 6}0Z", "what": f"changed {k} <b>"}
            told["teams"] = [{"device": "sm-07", "team": "front"}]
            assert http.post("/v1/changes", json=told).status_code == 201
        html = http.get("/teams/1").text
        rest = http.get(re.search(r'href="(/teams/1/changes[^"]+)"', html)[1]).text

        assert re.findall(LINE, html) == [str(k) for k in range(11, 1, -1)]
        assert re.findall(LINE, rest) == ["1", "0"]
        assert len(re.findall(LINE, http.get("/teams/1/changes").text)) == 12

    def test_shows_how_far_readings_agree_as_rest_tells_it(self, http, keep):
        one = Agreement(SUM, "sm-07", "front", 0, "bond0", 940_000_000, 943_000_000, 0.0032, True, NOW_MS)
        two = Agreement(CABLE, "sm-07", "m1", 1, "sw-s1 g1/0/7", 10**9, 8 * 10**8, 0.2, False, NOW_MS)
        other = two._replace(name="m9", difference=0.777)
        keep(agreements.keep, [one, two, other])
        html = http.get("/teams/1").text
        told = http.get("/v1/teams/1").json()["agreements"]

        assert len(told) == 2
        for row in told:
            assert f"{row['difference'] * 100:.2f} % of the larger" in html
        assert "they agree, by 0.32 %" in html
        assert "<strong>they differ</strong>, by 20.00 %" in html
        assert "77.70" not in html

    def test_without_a_window_says_so_and_shows_speeds_as_told(self, sqlite_engine):
        http = asked(sqlite_engine)
        site.add(http.app)
        http.post("/v1/samples", json={"samples": polls((1, (0.92, 0.02)))})
        html = http.get("/teams/1").text

        assert "No window of it was decided yet" in html
        assert html.count("1 Gbit/s") == 2

    @pytest.mark.parametrize("place", ["", "/changes", "/events"])
    def test_of_a_team_that_is_not_there_is_none(self, http, place):
        assert http.get(f"/teams/9{place}").status_code == 404


def _last(http):
    """The last decided window in both directions, as REST tells it."""
    to = http.get("/v1/teams/1").json()["decided_at"]
    windows = http.get("/v1/teams/1/windows", params={"to": to}).json()["items"]
    return [one for one in windows if one["start"] == windows[-1]["start"]]
