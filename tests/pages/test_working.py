import re
from datetime import datetime
from fractions import Fraction

import pytest
from examples import EPOCH_MS
from walks.traffic import polls
from web_examples import asked

from service.evaluation import Evaluator, Policy
from service.pages import site
from service.terms import Rule

NOW_MS = EPOCH_MS + 420_000
START = "2026-11-25T10:01:00Z"
M1 = {"port": "m1", "direction": "egress", "start": START}
PLACE = "/teams/1/working"


@pytest.fixture
def http(sqlite_engine):
    """Pages over five minutes at 92 % and 2 %."""
    http = asked(sqlite_engine, now_ms=lambda: NOW_MS)
    site.add(http.app)
    answer = http.post("/v1/samples", json={"samples": polls((5, (0.92, 0.02)))})
    assert answer.json()["rejected"] == []
    Evaluator(sqlite_engine, Policy(lambda _device, _team: Rule())).run(NOW_MS)
    return http


def figure(html, name):
    return Fraction(re.search(rf'id="{name}">([\d.]+)', html)[1])


def by_hand(html):
    """Utilisation from nothing but the page, in fractions.

    Source of the arithmetic: RFC 2863, ifOutOctets differences; IEEE 802.3, 20 octets of preamble and gap a frame.
    """
    table = re.search(r'<table id="parts">.*?</table>', html, re.DOTALL)[0]
    bits = Fraction(0)
    for row in re.findall(r'<tr><th scope="row">.*?</tr>', table, re.DOTALL):
        cells = re.findall(r'<td class="figure">([^<]*)</td>', row)
        before, after, _, _, frames, seconds, _ = map(Fraction, cells)
        begun, ended = (datetime.fromisoformat(told) for told in re.findall(r'datetime="([^"]+)"', row))
        lasted = Fraction((ended - begun).total_seconds())
        bits += 8 * (after - before + figure(html, "added") * frames) * seconds / lasted
    return bits / (figure(html, "speed") * figure(html, "covered"))


class TestWorking:
    def test_gives_the_figure_by_hand_to_a_hundredth_of_a_point(self, http):
        html = http.get(PLACE, params=M1).text

        assert abs(by_hand(html) * 100 - figure(html, "utilisation")) <= Fraction(1, 100)
        assert float(figure(html, "utilisation")) == pytest.approx(92, abs=0.01)

    def test_shows_the_figure_that_rest_tells(self, http):
        told = http.get(f"/v1/teams/1/windows/{START}/working", params={"port": "m1", "direction": "egress"}).json()

        assert f"{told['utilisation'] * 100:.4f} %" in http.get(PLACE, params=M1).text

    def test_of_a_port_that_is_no_member_is_none(self, http):
        assert http.get(PLACE, params=M1 | {"port": "m9"}).status_code == 404

    def test_without_a_start_says_what_is_missing(self, http):
        answer = http.get(PLACE, params={"port": "m1", "direction": "egress"})

        assert answer.status_code in {400, 422}
        assert "say when the window begins" in answer.text


class TestTeam:
    def test_shows_the_last_window_as_rest_tells_it(self, http):
        html = http.get("/teams/1").text
        to = http.get("/v1/teams/1").json()["decided_at"]
        windows = http.get("/v1/teams/1/windows", params={"to": to}).json()["items"]
        last = [one for one in windows if one["start"] == windows[-1]["start"]]

        for window in last:
            for member in window["members"]:
                if member["utilisation"] is not None:
                    told = f">{member['utilisation'] * 100:.1f} %, {window['direction']} of {member['port']}</a>"
                    assert told in html

    def test_leads_to_the_working_of_its_figures(self, http):
        place = re.search(r'href="(/teams/1/working[^"]+)"', http.get("/teams/1").text)[1]

        assert http.get(place.replace("&amp;", "&")).status_code == 200

    def test_of_a_team_that_is_not_there_is_none(self, http):
        assert http.get("/teams/9").status_code == 404


class TestForm:
    def test_is_shown_alone_with_the_last_window_in_it(self, http):
        answer = http.get(PLACE)

        assert answer.status_code == 200
        assert 'id="step-share"' not in answer.text
        assert 'value="2026-11-25 10:05:00"' in answer.text
        assert "<option>m2</option>" in answer.text

    @pytest.mark.parametrize(
        "typed",
        [
            "2026-11-25 10:01:00",
            "2026-11-25 10:01",
            " 2026-11-25 10:01:12 UTC ",
            "2026-11-25T10:01:29.9Z",
            "2026-11-25T11:01:00+01:00",
        ],
    )
    def test_takes_any_time_within_the_window(self, http, typed):
        answer = http.get(PLACE, params=M1 | {"start": typed})

        assert answer.status_code == 200
        assert "from 2026-11-25 10:01:00 to 10:01:30 UTC" in answer.text

    @pytest.mark.parametrize(
        ("typed", "status", "said"),
        [
            ({"start": "yesterday"}, 400, "write it like"),
            ({"start": ""}, 400, "say when the window begins"),
            ({"start": "0001-01-01 00:00"}, 400, "edge of what a date can say"),
            ({"port": ""}, 400, "choose one of m1, m2"),
            ({"port": "m9"}, 404, "m9"),
            ({"direction": "sideways"}, 400, "choose egress or ingress"),
        ],
    )
    def test_says_what_is_wrong_and_keeps_what_was_typed(self, http, typed, status, said):
        asked_for = M1 | typed
        answer = http.get(PLACE, params=asked_for)

        assert answer.status_code == status
        assert said in answer.text
        assert f'value="{asked_for["start"] or "2026-11-25 10:05:00"}"' in answer.text

    def test_of_a_team_that_is_not_there_is_none(self, http):
        assert http.get("/teams/9/working").status_code == 404

    def test_keeps_foreign_text_text(self, http):
        answer = http.get(PLACE, params=M1 | {"start": "<b>now</b>"})

        assert "<b>now" not in answer.text


class TestUnknown:
    def test_is_said_and_never_shown_as_zero(self, http):
        html = http.get(PLACE, params=M1 | {"start": "2026-11-25 08:00:00"}).text

        assert "its load is <strong>unknown</strong>" in html
        assert "that is not the same as no load" in html
        assert '<td id="utilisation">unknown</td>' in html
