import gzip

import pytest
from examples import EPOCH_MS
from item_examples import registered
from web_examples import a_key

from service.storage import exporters

START, END = "2026-11-25T10:00:00Z", "2026-11-25T10:05:00Z"
GIGABIT = 1_000_000_000


def an_item(name="vm-1", port="m1", mbps=480, **told):
    usual = {"device": "sm-07", "port": port, "name": name, "direction": "egress", "start": START, "end": END}
    return {**usual, "bps": mbps * 1e6, **told}


def push(http, *items, **more):
    return http.post("/v1/items", json={"items": list(items)}, **more)


@pytest.fixture
def known(sqlite_engine):
    with sqlite_engine.begin() as connection:
        return registered(connection)


class TestTake:
    def test_takes_an_item_once(self, http, known):
        assert push(http, an_item()).json() == {"accepted": 1, "duplicates": 0, "rejected": []}
        assert push(http, an_item()).json() == {"accepted": 0, "duplicates": 1, "rejected": []}

    def test_refuses_one_and_takes_the_others(self, http, known):
        told = push(http, an_item(direction="up"), an_item("vm-2"), an_item("vm-3", "m9"), 7).json()

        assert told["accepted"] == 1
        assert [(one["index"], one["column"]) for one in told["rejected"]] == [(0, "direction"), (2, None), (3, None)]
        assert "has no port 'm9' here" in told["rejected"][1]["reason"]

    def test_takes_csv_packed_or_not(self, http, known):
        text = "device,port,name,direction,start,end,octets\r\n" + f"sm-07,m1,vm-1,egress,{START},{END},1500\r\n"
        told = {"content-type": "text/csv"}

        first = http.post("/v1/items", content=text, headers=told)
        again = http.post(
            "/v1/items", content=gzip.compress(text.encode()), headers=told | {"content-encoding": "gzip"}
        )

        assert [first.json()["accepted"], again.json()["duplicates"]] == [1, 1]

    def test_names_a_conversation_by_its_ends(self, http, known):
        ends = {"source": "192.0.2.10", "destination": "198.51.100.7", "protocol": 6}
        item = {key: value for key, value in an_item(**ends).items() if key != "name"}
        assert push(http, {**item, "source_port": 49152, "destination_port": 2049}).json()["accepted"] == 1

        [shown] = http.get(f"/v1/teams/1/items?from={START}&to={END}").json()["members"][0]["items"]

        assert (shown["kind"], shown["name"]) == ("conversation", "192.0.2.10:49152 > 198.51.100.7:2049 tcp")
        assert shown["endpoints"]["destination_port"] == 2049

    def test_makes_running_counters_into_octets_of_the_time_between(self, http, known):
        told = {"device": "sm-07", "port": "m1", "name": "vm-1", "in_octets": 0}
        first = {**told, "time": START, "out_octets": 1000}
        second = {**told, "time": END, "out_octets": 1000 + 480 * 10**6 * 300 // 8}

        assert push(http, first, second).json()["accepted"] == 2
        assert push(http, first, second).json()["duplicates"] == 2

        [shown] = http.get(f"/v1/teams/1/items?from={START}&to={END}").json()["members"][0]["items"]
        assert shown["bps"] == 480e6

    def test_knows_nothing_of_the_time_in_which_a_counter_fell_or_the_port_moved(self, http, known):
        told = {"device": "sm-07", "name": "vm-1", "in_octets": 5}
        push(http, {**told, "port": "m1", "time": "2026-11-25T10:00:00Z", "out_octets": 10**12})
        push(http, {**told, "port": "m1", "time": "2026-11-25T10:01:00Z", "out_octets": 7})
        push(http, {**told, "port": "m2", "time": "2026-11-25T10:02:00Z", "out_octets": 10**9})

        members = http.get(f"/v1/teams/1/items?from={START}&to={END}").json()["members"]

        assert [item["bps"] for member in members for item in member["items"]] == []

    @pytest.mark.parametrize(
        ("body", "status"),
        [(b"", 400), (b"[]", 400), (b'{"items": 1}', 400), (b'{"items": [], "more": 1}', 400)],
    )
    def test_refuses_what_is_no_batch(self, http, body, status):
        assert http.post("/v1/items", content=body, headers={"content-type": "application/json"}).status_code == status

    def test_refuses_a_form_that_is_not_read(self, http):
        assert http.post("/v1/items", content=b"x", headers={"content-type": "text/xml"}).status_code == 415

    def test_wants_the_role_feed(self, sqlite_engine, http, known):
        assert push(http, an_item(), headers=a_key(sqlite_engine, "view")).status_code == 403
        assert push(http, an_item(), headers=a_key(sqlite_engine, "feed")).status_code == 200


class TestOfTeam:
    def test_holds_items_against_their_member(self, played):
        """Team front carried 92 % and 2 % of 1 Gbit/s from 10:00 to 10:05."""
        push(played, an_item("vm-1", "m1", 480), an_item("vm-2", "m1", 432), an_item("vm-3", "m2", 20))

        told = played.get(f"/v1/teams/1/items?from={START}&to={END}").json()

        first, second = told["members"]
        assert told["told_seconds"] == 300
        assert [(item["name"], item["bps"]) for item in first["items"]] == [("vm-1", 480e6), ("vm-2", 432e6)]
        assert first["items_bps"] == 912e6
        assert first["member_bps"] == pytest.approx(0.92 * GIGABIT, rel=0.02)
        assert (first["agrees"], second["items_bps"]) == (True, 20e6)

    def test_says_where_they_differ_by_more_than_two_per_cent(self, played):
        push(played, an_item("vm-1", "m1", 480))

        [first, second] = played.get(f"/v1/teams/1/items?from={START}&to={END}").json()["members"]

        assert (first["agrees"], second["agrees"]) == (False, None)
        assert first["difference"] > 0.4

    def test_compares_nothing_where_items_tell_of_a_part_of_the_time(self, played):
        push(played, an_item("vm-1", "m1", 920, end="2026-11-25T10:01:00Z"))

        assert played.get(f"/v1/teams/1/items?from={START}&to={END}").json()["members"][0]["agrees"] is None

    def test_shows_the_last_day_of_what_is_asked_for(self, played):
        told = played.get(f"/v1/teams/1/items?from=2000-01-01T00:00:00Z&to={END}").json()

        assert (told["from_at"], told["to_at"]) == ("2026-11-24T10:05:00Z", END)

    @pytest.mark.parametrize("asked", [f"from={END}&to={START}", f"from={END}&to={END}", "to=0001-01-01T00:00:00Z"])
    def test_shows_nothing_of_no_time(self, played, asked):
        push(played, an_item())

        told = played.get(f"/v1/teams/1/items?{asked}").json()

        assert (told["told_seconds"], [one["items"] for one in told["members"]]) == (0, [[], []])

    def test_refuses_what_is_no_instant(self, played):
        assert played.get("/v1/teams/1/items?from=yesterday").status_code == 400

    def test_knows_no_team_that_is_not_there(self, http):
        assert http.get("/v1/teams/9/items").status_code == 404


class TestExporters:
    def test_are_listed_with_what_was_the_matter(self, http, sqlite_engine):
        heard = exporters.Heard("192.0.2.7", "ipfix", "sm-07", EPOCH_MS, 10, 90, 1, 2, 3, "cut short")
        with sqlite_engine.begin() as connection:
            exporters.note(connection, [heard])

        [told] = http.get("/v1/exporters").json()["items"]

        assert told == {
            "address": "192.0.2.7",
            "protocol": "ipfix",
            "device": "sm-07",
            "heard_at": "2026-11-25T10:00:00Z",
            "datagrams": 10,
            "records": 90,
            "lost": 1,
            "refused": 2,
            "unplaced": 3,
            "trouble": "cut short",
        }
