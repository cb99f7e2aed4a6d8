"""Exports hold what the lists hold, read back by others' readers: Python's csv and pyarrow."""

import csv
import io
import re

import pyarrow.parquet as pq
import pytest
from examples import EPOCH_MS
from storage_examples import a_change, a_verdict
from web_examples import a_key, asked

from service.exports.csv import plain
from service.storage import changes, inventory
from service.storage.changes import Place
from service.terms import EGRESS, PortName
from service.web import export_files

HALF_HOUR = {"from": "2026-11-25T10:00:00Z", "to": "2026-11-25T10:30:00Z"}
NOUNS = ("findings", "teams", "changes", "windows?team_id=1", "rollups?team_id=1", "items?team_id=1")


def rows_of(answer):
    assert answer.status_code == 200, answer.text
    return list(csv.DictReader(io.StringIO(answer.text, newline="")))


def table_of(answer):
    assert answer.status_code == 200, answer.text
    return pq.read_table(io.BytesIO(answer.content))


class TestFindings:
    def test_are_those_of_the_list(self, played):
        listed = played.get("/v1/findings").json()["items"]

        rows = rows_of(played.get("/v1/exports/findings"))

        assert rows
        assert [row["id"] for row in rows] == [one["id"] for one in listed]
        assert [float(row["peak"]) for row in rows] == [one["peak"] for one in listed]
        assert [row["raised_at"] for row in rows] == [one["raised_at"] for one in listed]
        assert [int(row["usable_bps"]) for row in rows] == [one["usable_bps"] for one in listed]
        assert [plain(row["text"]) for row in rows] == [one["text"] for one in listed]
        assert (rows[0]["hot_ports"], rows[0]["idle_ports"]) == ("m1", "m2")

    def test_take_the_filters_of_the_list(self, played):
        assert rows_of(played.get("/v1/exports/findings", params={"direction": "ingress"})) == []
        assert len(rows_of(played.get("/v1/exports/findings", params={"state": "cleared", "device": "sm-07"}))) == 1

    def test_are_the_same_in_parquet_with_types(self, played):
        [listed] = played.get("/v1/findings").json()["items"]

        table = table_of(played.get("/v1/exports/findings", params={"format": "parquet"}))

        [row] = table.to_pylist()
        assert str(table.schema.field("raised_at").type) == "timestamp[ms, tz=UTC]"
        assert row["raised_at"].strftime("%Y-%m-%dT%H:%M:%SZ") == listed["raised_at"]
        assert (row["peak"], row["usable_bps"]) == (listed["peak"], listed["usable_bps"])
        assert row["discard_ratio"] == listed["discard_ratio"]
        assert row["unverified"] is listed["unverified"]


class TestWindows:
    def test_are_those_of_the_list_member_by_member(self, played):
        listed = played.get("/v1/teams/1/windows", params=HALF_HOUR).json()["items"]
        told = [
            (one["start"], one["direction"], member["port"], member["utilisation"], one["even_split"], one["kind"])
            for one in listed
            for member in one["members"]
        ]

        rows = rows_of(played.get("/v1/exports/windows", params={"team_id": 1, **HALF_HOUR}))

        names = ("start", "direction", "port", "utilisation", "even_split", "kind")
        figures = {"utilisation", "even_split"}
        assert told == [
            tuple((float(row[name]) if row[name] else None) if name in figures else row[name] for name in names)
            for row in rows
        ]
        assert len(rows) == 2 * 2 * 31

    def test_leave_the_unknown_empty_in_one_form_and_null_in_the_other(self, played):
        query = {"team_id": 1, "direction": "egress", **HALF_HOUR}

        last = rows_of(played.get("/v1/exports/windows", params=query))[-1]
        same = table_of(played.get("/v1/exports/windows", params={**query, "format": "parquet"})).to_pylist()[-1]

        assert (last["utilisation"], last["why_not"], last["evaluable"]) == ("", "no data", "false")
        assert (same["utilisation"], same["why_not"], same["evaluable"]) == (None, "no data", False)

    def test_refuses_a_team_that_is_not_there(self, played):
        assert played.get("/v1/exports/windows", params={"team_id": 9}).status_code == 404


class TestRollups:
    def test_are_those_of_the_list(self, played):
        listed = played.get("/v1/teams/1/rollups", params=HALF_HOUR).json()["items"]

        table = table_of(played.get("/v1/exports/rollups", params={"team_id": 1, "format": "parquet", **HALF_HOUR}))

        assert table.num_rows == 2 * len(listed) > 0
        assert table["mean"].to_pylist() == [member["mean"] for one in listed for member in one["members"]]


class TestTeams:
    def test_have_a_row_a_member(self, played):
        rows = rows_of(played.get("/v1/exports/teams"))

        assert [(row["team"], row["position"], row["port"]) for row in rows] == [
            ("front", "0", "m1"),
            ("front", "1", "m2"),
        ]

    def test_are_read_beyond_one_page(self, http_of_each, engine):
        names = [PortName(f"d{n:04}", "p", "t") for n in range(601)]
        with engine.begin() as connection:
            inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)

        assert [row["device"] for row in rows_of(http_of_each.get("/v1/exports/teams"))] == [n.device for n in names]

    def test_begin_no_name_like_a_formula(self, http, sqlite_engine):
        with sqlite_engine.begin() as connection:
            inventory.resolve(connection, [PortName("=1+1", "@m1", "-t")], feed="push", now_ms=EPOCH_MS)

        [row] = rows_of(http.get("/v1/exports/teams"))

        assert (row["device"], row["port"], row["team"]) == ("'=1+1", "'@m1", "'-t")


class TestChanges:
    def test_have_a_row_a_team_with_what_came_of_it(self, played, played_engine):
        with played_engine.begin() as connection:
            changes.keep(connection, a_change(), [(Place(1, EGRESS), "")])
            [line] = changes.lines(connection, "c1")
            changes.tell(connection, line, a_verdict(), EPOCH_MS, final=True)
        told = played.get("/v1/changes/c1").json()

        [row] = rows_of(played.get("/v1/exports/changes", params={"team_id": 1}))

        [of_team] = told["teams"]
        assert (row["id"], row["what"], row["at"]) == ("c1", told["what"], told["at"])
        assert (row["outcome"], row["text"], row["final"]) == (of_team["outcome"], of_team["verdict"]["text"], "true")


class TestItems:
    def test_are_those_of_the_list(self, played):
        item = {
            "start": "2026-11-25T10:14:00Z",
            "end": "2026-11-25T10:15:00Z",
            "device": "sm-07",
            "port": "m1",
            "direction": "egress",
            "kind": "virtual-port",
            "name": "vp1",
            "octets": 750_000_000,
        }
        taken = played.post("/v1/items", json={"items": [item]}).json()
        listed = played.get("/v1/teams/1/items", params=HALF_HOUR).json()["members"]

        rows = rows_of(played.get("/v1/exports/items", params={"team_id": 1, **HALF_HOUR}))

        assert taken["accepted"] == 1
        told = [(one["port"], item["name"], item["bps"]) for one in listed for item in one["items"]]
        assert [(row["port"], row["name"], int(row["bps"])) for row in rows] == told
        assert told[0][:2] == ("m1", "vp1")


class TestEvery:
    @pytest.mark.parametrize("noun", NOUNS)
    @pytest.mark.parametrize("form", ["csv", "parquet"])
    def test_is_a_file_with_a_name_of_ours(self, played, noun, form):
        answer = played.get(f"/v1/exports/{noun}{'&' if '?' in noun else '?'}format={form}")

        assert answer.status_code == 200
        named = answer.headers["content-disposition"]
        assert re.fullmatch(rf'attachment; filename="lopside-{noun.split("?")[0]}-\d{{8}}T\d{{6}}Z\.{form}"', named)
        assert int(answer.headers["content-length"]) == len(answer.content)
        assert answer.headers["content-type"].startswith(export_files.MEDIA_TYPES[form])
        assert answer.headers["x-content-type-options"] == "nosniff"

    @pytest.mark.parametrize("noun", NOUNS)
    def test_asks_for_a_key_that_may_look(self, played_engine, noun):
        http = asked(played_engine, open_on_loopback=False)

        assert http.get(f"/v1/exports/{noun}").status_code == 401
        assert http.get(f"/v1/exports/{noun}", headers=a_key(played_engine, "feed")).status_code == 403
        assert http.get(f"/v1/exports/{noun}", headers=a_key(played_engine, "view")).status_code == 200

    @pytest.mark.parametrize("form", ["csv", "parquet"])
    def test_is_refused_whole_where_it_is_too_long(self, played, monkeypatch, form):
        monkeypatch.setattr(export_files, "MOST_ROWS", 123)

        answer = played.get("/v1/exports/windows", params={"team_id": 1, "format": form, **HALF_HOUR})

        assert answer.status_code == 400
        assert "more than 123 rows; ask for less time" in answer.json()["detail"]
        monkeypatch.setattr(export_files, "MOST_ROWS", 124)
        assert played.get("/v1/exports/windows", params={"team_id": 1, **HALF_HOUR}).status_code == 200

    @pytest.mark.parametrize("query", [{"format": "xlsx"}, {"limit": 5}, {"since": "yesterday"}])
    def test_refuses_what_it_cannot_use(self, played, query):
        answer = played.get("/v1/exports/findings", params=query)

        assert answer.status_code == 400
        assert next(iter(query)) in answer.json()["detail"]
