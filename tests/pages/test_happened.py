"""What the page of a finding tells of its past, of what was foretold, and of the parts of one about many teams."""

import pytest
from examples import EPOCH_MS, a_finding
from web_examples import asked

from service.pages import site
from service.storage import findings, inventory, predictions
from service.terms import PortName, Prediction

LATER_MS = EPOCH_MS + 300_000


@pytest.fixture
def http(sqlite_engine):
    http = asked(sqlite_engine)
    site.add(http.app)
    return http


@pytest.fixture
def keep(sqlite_engine):
    """Keeps a finding of team front on a device, with lines of its history."""

    def kept(found, *lines, team_id=None):
        with sqlite_engine.begin() as connection:
            ports = [PortName(found.device, port, "front") for port in ("m1", "m2")]
            inventory.resolve(connection, ports, feed="push", now_ms=EPOCH_MS)
            if team_id is None:
                team_id = inventory.team_named(connection, found.device, "front")
            findings.save(connection, team_id, found)
            for what, who, text, details in lines:
                findings.note(connection, found.id, LATER_MS, what, who, text, details or None)
        return found.id

    return kept


def past(http, finding_id):
    """What happened, as the page tells it."""
    return http.get(f"/findings/{finding_id}").text.split(">What happened<")[1].split("</ol>")[0]


class TestHistory:
    @pytest.mark.parametrize(
        ("what", "words"),
        [("raised", "raised"), ("ack", "taken"), ("recurrent", "came again"), ("unverified", "could not be judged")],
    )
    def test_tells_each_moment_in_words(self, http, keep, what, words):
        assert f"UTC</time>: {words}" in past(http, keep(a_finding(), (what, "", "", {})))

    def test_tells_who_did_it_and_what_was_noted(self, http, keep):
        told = past(http, keep(a_finding(), ("note", "R. Olin", "looked at the sender", {})))

        assert "noted, by R. Olin" in told
        assert "looked at the sender" in told

    def test_tells_restated_figures_then_and_now_and_leads_to_their_working(self, http, keep):
        figures = [
            {"start_ms": EPOCH_MS, "port": "m1", "old": 0.92, "new": 0.81},
            {"start_ms": EPOCH_MS, "port": "m2", "old": None, "new": 0.4},
        ]
        told = past(http, keep(a_finding(), ("restated", "", "1 window restated", {"windows": 1, "figures": figures})))

        assert "92.0 % then, 81.0 % now" in told
        assert "unknown then, 40.0 % now" in told
        assert "working?port=m2&amp;direction=egress&amp;start=2026-" in told

    def test_tells_what_was_foretold_of_a_change(self, http, keep, sqlite_engine):
        found = a_finding()
        finding_id = keep(found, ("change", "R. Olin", "hash with ports", {"prediction": "p1", "change": "c1"}))
        foretold = Prediction("p1", 1, "egress", "finer-hash", 0.83, EPOCH_MS, "R. Olin", finding_id=finding_id)
        with sqlite_engine.begin() as connection:
            predictions.keep(connection, foretold)

        told = past(http, finding_id)

        assert "changed, by R. Olin" in told
        assert "finer hash, 83 % that no member exceeds the hot line" in told


class TestJudged:
    def test_says_why_it_was_wrong_and_what_mends_that(self, http, keep):
        finding_id = keep(a_finding(), ("wrong", "R. Olin", "", {"cause": "speed-wrong"}))
        text = http.get(f"/findings/{finding_id}").text

        assert "Marked as wrong: a speed is wrong. Declare the port" in text
        assert "marked as wrong: a speed is wrong, by R. Olin" in past(http, finding_id)

    def test_is_not_said_once_taken_back(self, http, keep):
        lines = (("wrong", "R. Olin", "", {"cause": "speed-wrong"}), ("right", "R. Olin", "", {}))
        finding_id = keep(a_finding(), *lines)

        assert 'id="judged"' not in http.get(f"/findings/{finding_id}").text
        assert "right after all" in past(http, finding_id)


class TestParts:
    def test_tells_what_was_found_at_each_team_and_names_those_of_which_nothing_is_kept(self, http, keep):
        keep(a_finding(id="f1", part_of="f9"))
        keep(a_finding(id="f2", part_of="f9", device="sm-08", cleared_ms=LATER_MS))
        teams = ("sm-07/front", "sm-08/front", "sm-09/front")
        keep(a_finding(id="f9", device="sw-s1", kind="fleet-pattern", teams=teams), team_id=0)

        text = http.get("/findings/f9").text
        told = text.split("<h2>Teams: 3</h2>")[1].split("</ul>")[0]

        assert '<a href="/findings/f1">front on sm-07, egress</a>: peak 92.0 % on m1, warning' in told
        assert '<a href="/findings/f2">front on sm-08, egress</a>: peak 92.0 % on m1, cleared' in told
        assert "<li>sm-09/front</li>" in told
        assert "/teams/0" not in text

    def test_names_at_most_so_many(self, http, keep):
        teams = tuple(f"sm-{k:04}/front" for k in range(502))
        keep(a_finding(id="f9", device="sw-s1", kind="fleet-pattern", teams=teams), team_id=0)

        text = http.get("/findings/f9").text

        assert text.count("<li>sm-0") == 500
        assert "<li>and 2 more</li>" in text
