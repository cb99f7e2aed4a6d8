import math

import pytest
from examples import EPOCH_MS, a_finding
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from service import terms
from service.errors import NotFound, WrongQuestion
from service.storage import findings, inventory
from service.storage.findings import Filters
from service.terms import Evidence, PortName, Severity


def team_of(connection, device="sm-07", team="front"):
    inventory.resolve(connection, [PortName(device, "m1", team)], feed="push", now_ms=EPOCH_MS)
    return inventory.team_named(connection, device, team)


def found_ids(connection, cursor=None, limit=100, **filters):
    return [kept.finding.id for kept in findings.listing(connection, Filters(**filters), cursor, limit).items]


class TestSave:
    def test_gives_back_every_field(self, connection):
        told = a_finding(
            severity=Severity.MAJOR,
            evidence=Evidence(("a",), ("b", "c"), ()),
            discard_ratio=None,
            hot=(terms.MemberFigure("m1", None, 0, "partial coverage"),),
            recurrences=3,
            unverified=True,
        )

        findings.save(connection, 1, told)

        assert findings.one(connection, told.id) == findings.Kept(told, 1, "none", "")

    def test_keeps_a_figure_that_is_not_a_number(self, connection):
        findings.save(connection, 1, a_finding(even_split=math.nan))

        assert math.isnan(findings.one(connection, a_finding().id).finding.even_split)

    def test_writes_over_what_was_there_but_not_what_operators_said(self, connection):
        findings.save(connection, 1, a_finding())
        findings.set_operator(connection, a_finding().id, "ack", "R. Olin")

        findings.save(connection, 1, a_finding(kind="uneven-and-full", cleared_ms=EPOCH_MS + 1))

        kept = findings.one(connection, a_finding().id)
        assert (kept.finding.kind, kept.finding.cleared_ms) == ("uneven-and-full", EPOCH_MS + 1)
        assert (kept.operator_state, kept.operator) == ("ack", "R. Olin")


class TestListing:
    @pytest.fixture
    def connection(self, connection):
        front, shift = team_of(connection), team_of(connection, "sm-08", "shift")
        findings.save(connection, front, a_finding(id="f1", raised_ms=EPOCH_MS))
        findings.save(
            connection, front, a_finding(id="f2", raised_ms=EPOCH_MS, direction="ingress", severity=Severity.MAJOR)
        )
        findings.save(
            connection, shift, a_finding(id="f3", raised_ms=EPOCH_MS + 1, kind="full", cleared_ms=EPOCH_MS + 9)
        )
        findings.set_operator(connection, "f1", "ack", "R. Olin")
        return connection

    @pytest.mark.parametrize(
        ("filters", "wanted"),
        [
            ({}, ["f3", "f1", "f2"]),
            ({"device": "sm-07"}, ["f1", "f2"]),
            ({"device": "sm-07", "team": "shift"}, []),
            ({"team": "shift"}, ["f3"]),
            ({"direction": "ingress"}, ["f2"]),
            ({"kinds": ["full", "skewed"]}, ["f3"]),
            ({"kinds": []}, []),
            ({"severities": [Severity.MAJOR]}, ["f2"]),
            ({"state": "open"}, ["f1", "f2"]),
            ({"state": "cleared"}, ["f3"]),
            ({"operator_state": "ack"}, ["f1"]),
            ({"since_ms": EPOCH_MS + 1}, ["f3"]),
            ({"until_ms": EPOCH_MS + 1}, ["f1", "f2"]),
        ],
    )
    def test_holds_what_is_asked_for_newest_first(self, connection, filters, wanted):
        assert found_ids(connection, **filters) == wanted

    def test_goes_on_where_the_page_before_ended(self, connection):
        first = findings.listing(connection, limit=2)
        second = findings.listing(connection, cursor=first.cursor, limit=2)

        assert [kept.finding.id for kept in first.items + second.items] == ["f3", "f1", "f2"]
        assert second.cursor is None

    @pytest.mark.parametrize("filters", [{"direction": "up"}, {"state": "new"}, {"operator_state": "gone"}])
    def test_refuses_words_it_does_not_know(self, connection, filters):
        with pytest.raises(WrongQuestion):
            found_ids(connection, **filters)

    @pytest.mark.parametrize("cursor", ["x", "WzFd", "WzEsMl0", "W251bGwsImYxIl0", "WzFlOTksImYxIl0"])
    def test_refuses_a_cursor_of_somewhere_else(self, connection, cursor):
        with pytest.raises(WrongQuestion, match="cursor"):
            found_ids(connection, cursor=cursor)


class TestClearedSince:
    def test_tells_the_last_ended_first_without_parts_and_counts_all(self, connection):
        for name, told in {
            "f1": {"cleared_ms": EPOCH_MS},
            "f2": {"cleared_ms": EPOCH_MS + 2},
            "f3": {"cleared_ms": EPOCH_MS + 1},
            "f4": {"cleared_ms": EPOCH_MS - 1},
            "f5": {"cleared_ms": EPOCH_MS, "part_of": "f1"},
            "f6": {},
        }.items():
            findings.save(connection, 1, a_finding(id=name, **told))

        some, count = findings.cleared_since(connection, EPOCH_MS, 2)

        assert [kept.finding.id for kept in some] == ["f2", "f3"]
        assert count == 3


class TestParts:
    def test_are_told_by_the_whole_in_order_of_names_at_most_so_many(self, connection):
        for device in ("sm-09", "sm-07", "sm-08"):
            team_id = team_of(connection, device)
            findings.save(connection, team_id, a_finding(id=f"{device}-a", part_of="f9"))
            findings.save(connection, team_id, a_finding(id=f"{device}-b", part_of="f8"))

        parts = findings.parts(connection, ["f8", "f9", "f7"], 2)

        named = {whole: [kept.finding.id for kept in some] for whole, some in parts.items()}
        assert named == {"f8": ["sm-07-b", "sm-08-b"], "f9": ["sm-07-a", "sm-08-a"], "f7": []}

    def test_are_left_out_of_a_list_of_what_is_part_of_nothing(self, connection):
        findings.save(connection, 1, a_finding(id="f1", part_of="f9"))
        findings.save(connection, 1, a_finding(id="f2"))

        assert found_ids(connection, part_of="") == ["f2"]


class TestHistory:
    def test_holds_lines_in_order(self, connection):
        findings.save(connection, 1, a_finding())
        findings.note(connection, a_finding().id, EPOCH_MS, "raised", text="hot")
        findings.note(connection, a_finding().id, EPOCH_MS, "ack", "R. Olin", "seen", {"from": "none"})

        raised, ack = findings.history(connection, a_finding().id)

        assert (raised.what, raised.who, raised.text, raised.details) == ("raised", "", "hot", {})
        assert (ack.what, ack.who, ack.text, ack.details) == ("ack", "R. Olin", "seen", {"from": "none"})

    @pytest.mark.parametrize("change", ["UPDATE finding_history SET text = 'x'", "DELETE FROM finding_history"])
    def test_is_never_changed(self, connection, change):
        findings.save(connection, 1, a_finding())
        findings.note(connection, a_finding().id, EPOCH_MS, "raised")

        with pytest.raises(DBAPIError, match="append-only"):
            connection.execute(text(change))


class TestSetOperator:
    def test_knows_no_finding_by_an_id_that_nothing_has(self, connection):
        with pytest.raises(NotFound):
            findings.set_operator(connection, "f0", "ack", "R. Olin")

    def test_refuses_a_state_it_does_not_know(self, connection):
        with pytest.raises(WrongQuestion):
            findings.set_operator(connection, "f0", "gone", "R. Olin")


class TestOne:
    def test_knows_no_finding_by_an_id_that_nothing_has(self, connection):
        with pytest.raises(NotFound):
            findings.one(connection, "f0")
