"""Advice over HTTP: for a team that was at 92 and 2 % for five minutes, with what virtual ports told meanwhile."""

from __future__ import annotations

from dataclasses import replace

import pytest
from advice_examples import ITEMS, MEGABIT
from examples import EPOCH_MS
from sqlalchemy import select, update
from web_examples import a_key

from service.storage import findings, items, tables
from service.terms import EGRESS, VIRTUAL_PORT, ItemReading

MINUTE_MS = 60_000


@pytest.fixture
def told(played, played_engine):
    """The finding's id, once its items and how it is built are known."""
    with played_engine.begin() as connection:
        connection.execute(update(tables.teams).values(method="virtual-port", bundle="none"))
        port = connection.execute(select(tables.ports.c.id).where(tables.ports.c.name == "m1")).scalar_one()
        items.keep(connection, [(port, _reading(name, mbit)) for name, mbit in ITEMS.items()])
    (found,) = played.get("/v1/findings").json()["items"]
    return found["id"]


def _reading(name, mbit):
    octets = mbit * MEGABIT // 8 * 300
    return ItemReading("sm-07", "m1", EGRESS, VIRTUAL_PORT, name, EPOCH_MS, EPOCH_MS + 5 * MINUTE_MS, octets)


class TestAdvice:
    def test_sets_all_options_side_by_side(self, played, told):
        answer = played.get(f"/v1/advice/{told}").json()

        options = {option["name"]: option for option in answer["options"]}
        assert options["leave"]["chances"][0]["success"] == 0.0
        assert options["virtual-port"]["chances"][0]["success"] == 0.5
        assert options["layer4-tuple"]["refused"].startswith("needs a matching bundle")
        assert options["load-aware"]["fits"] is True
        assert answer["line"].startswith("Load-aware placement would clear it (49/45 or 53/41)")

    def test_takes_streams_that_are_stated(self, played, told):
        streams = {"streams": ["night-copy=8", "scan-index=6"]}
        answer = played.get(f"/v1/advice/{told}", params=streams).json()

        (option,) = [option for option in answer["options"] if option["name"] == "layer4-tuple"]
        assert option["chances"][0]["success"] == pytest.approx(0.985, abs=0.0005)

    @pytest.mark.parametrize("stated", ["night-copy", "night-copy=0", "=8", "night-copy=many", "a=99999999"])
    def test_refuses_streams_that_are_none(self, played, told, stated):
        assert played.get(f"/v1/advice/{told}", params={"streams": stated}).status_code == 400

    def test_is_plain_text_where_that_is_asked(self, played, told):
        answer = played.get(f"/v1/advice/{told}", params={"form": "text"})

        assert answer.headers["content-type"].startswith("text/plain")
        assert answer.text.startswith("sm-07, team front, egress: m1 at 92 %, m2 at 2 % (uneven)\n")

    def test_is_of_a_finding_that_there_is(self, played):
        assert played.get("/v1/advice/nobody").status_code == 404

    def test_is_refused_for_a_finding_of_many_teams(self, played, played_engine, told):
        with played_engine.begin() as connection:
            kept = findings.one(connection, told)
            findings.save(connection, kept.team_id, replace(kept.finding, teams=("sm-07/front", "sm-08/front")))

        assert played.get(f"/v1/advice/{told}").status_code == 409

    @pytest.mark.parametrize(("role", "status"), [("view", 200), ("operate", 200), ("feed", 403)])
    def test_is_for_whoever_may_read(self, played, played_engine, told, role, status):
        assert played.get(f"/v1/advice/{told}", headers=a_key(played_engine, role)).status_code == status

    def test_changes_nothing(self, played, told):
        for method in ("post", "put", "patch", "delete"):
            assert getattr(played, method)(f"/v1/advice/{told}").status_code == 405


class TestSheet:
    def test_of_an_option_has_its_headings(self, played, told):
        answer = played.get(f"/v1/advice/{told}/virtual-port").json()

        assert [section["heading"] for section in answer["sections"]][-1] == "Cautions"
        assert len(answer["sections"]) == 8

    def test_is_plain_text_where_that_is_asked(self, played, told):
        text = played.get(f"/v1/advice/{told}/virtual-port", params={"form": "text"}).text

        assert "50 % chance that no member exceeds 75 %" in text

    @pytest.mark.parametrize(("option", "status"), [("layer4-tuple", 409), ("leave", 409), ("magic", 404)])
    def test_is_refused_with_the_reason(self, played, told, option, status):
        answer = played.get(f"/v1/advice/{told}/{option}")

        assert answer.status_code == status
        assert option in answer.json()["detail"]
