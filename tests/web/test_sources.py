import pytest
from examples import EPOCH_MS
from feed_examples import a_row
from storage_examples import a_polling
from web_examples import NOW_MS, asked

from service.storage import agents, events, inventory
from service.terms import DataEvent

POLLED = a_polling(
    "sm-07",
    version="2c",
    clear_text=True,
    stretched_ms=15_000,
    asked_ms=EPOCH_MS + 60_000,
    answered_ms=EPOCH_MS + 50_000,
    failures=1,
    next_ms=EPOCH_MS + 75_000,
    took_ms=250,
    skew_ms=30,
    polls=7,
    lost=1,
    trouble="no answer within 1 s",
    notes=("tells no high speeds",),
)


class TestListing:
    def test_tells_how_a_device_reports(self, played):
        [told] = played.get("/v1/sources").json()["items"]

        assert (told["device"], told["feed"], told["interval_seconds"]) == ("sm-07", "push", 10)
        assert told["last_sample_at"] == "2026-11-25T10:15:00Z"
        assert told["last_received_at"] == "2026-11-25T10:17:00Z"
        assert told["lateness_seconds"] == 120
        assert (told["refresh_seconds"], told["clock_offset_seconds"]) == (None, None)

    def test_says_what_a_source_cannot_tell(self, http):
        http.post("/v1/samples", json={"samples": [a_row(time="2026-11-25T10:01:00Z", counter_bits=32)]})

        [told] = http.get("/v1/sources").json()["items"]

        cannot = " ".join(told["cannot_tell"])
        for word in ("packets", "discards", "errors", "speed", "uptime", "64-bit"):
            assert word in cannot

    def test_says_nothing_of_what_it_can_tell(self, played):
        [told] = played.get("/v1/sources").json()["items"]

        cannot = " ".join(told["cannot_tell"])
        assert "packets" not in cannot
        assert "speed" not in cannot
        assert "errors" in cannot

    def test_says_since_when_a_source_is_silent(self, engine):
        http = asked(engine)
        http.post("/v1/samples", json={"samples": [a_row()]})
        with engine.begin() as connection:
            inventory.note_device(connection, 1, silent_since_ms=EPOCH_MS, clock_offset_ms=-7200, refresh_ms=60_000)

        [told] = http.get("/v1/sources").json()["items"]

        assert told["silent_since_at"] == "2026-11-25T10:00:00Z"
        assert (told["clock_offset_seconds"], told["refresh_seconds"]) == (-7.2, 60)

    def test_says_what_it_can_tell(self, played):
        [told] = played.get("/v1/sources").json()["items"]

        assert told["can_tell"][:2] == ["packets", "discards"]
        assert "errors" not in told["can_tell"]

    def test_tells_how_a_device_is_polled(self, engine):
        http = asked(engine)
        http.post("/v1/samples", json={"samples": [a_row()]})
        with engine.begin() as connection:
            agents.note(connection, [POLLED])

        [told] = http.get("/v1/sources").json()["items"]

        assert told["polling"] == {
            "address": "192.0.2.30:161",
            "protocol_version": "2c",
            "clear_text": True,
            "interval_seconds": 10,
            "stretched_seconds": 15,
            "since_at": "2026-11-25T10:00:00Z",
            "asked_at": "2026-11-25T10:01:00Z",
            "answered_at": "2026-11-25T10:00:50Z",
            "failures_in_a_row": 1,
            "next_at": "2026-11-25T10:01:15Z",
            "took_seconds": 0.25,
            "skew_seconds": 0.03,
            "polls": 7,
            "polls_lost": 1,
            "trouble": "no answer within 1 s",
            "notes": ["tells no high speeds"],
        }

    def test_says_that_nobody_polls_a_source_that_sends(self, played):
        [told] = played.get("/v1/sources").json()["items"]

        assert (told["state"], told["polling"]) == ("heard", None)

    def test_lists_a_device_that_is_polled_and_was_never_heard(self, http_of_each, engine):
        with engine.begin() as connection:
            agents.note(connection, [a_polling("sm-30")])

        [told] = http_of_each.get("/v1/sources").json()["items"]

        assert (told["device_id"], told["device"], told["feed"], told["state"]) == (None, "sm-30", "snmp", "never")
        assert told["silent_since_at"] is None
        assert told["cannot_tell"] == ["anything: no sample has come from it lately"]

    def test_names_the_ports_whose_speed_is_doubted(self, http_of_each, engine):
        http_of_each.post("/v1/samples", json={"samples": [a_row()]})
        with engine.begin() as connection:
            events.keep(connection, [DataEvent("sm-07", "m1", EPOCH_MS, "speed-doubtful", "doubted")])

        [told] = http_of_each.get("/v1/sources").json()["items"]

        assert told["speed_doubts"] == ["m1"]

    def test_filters_by_state(self, engine):
        http = asked(engine)
        http.post("/v1/samples", json={"samples": [a_row(device=f"d{k}") for k in range(3)]})
        with engine.begin() as connection:
            inventory.note_device(connection, 2, silent_since_ms=EPOCH_MS)
            agents.note(connection, [a_polling("sm-30")])

        def listed(state):
            return [one["device"] for one in http.get("/v1/sources", params={"state": state}).json()["items"]]

        assert listed("heard") == ["d0", "d2"]
        assert listed("silent") == ["d1"]
        assert listed("never") == ["sm-30"]
        assert listed("ended") == []
        assert http.get("/v1/sources", params={"state": "quiet"}).status_code == 400

    def test_knows_of_silence_though_nobody_marked_it(self, http_of_each, engine):
        http_of_each.post("/v1/samples", json={"samples": [a_row()]})
        with engine.begin() as connection:
            inventory.note_device(connection, 1, interval_ms=10_000)

        [told] = asked(engine, now_ms=lambda: NOW_MS + 91_000).get("/v1/sources").json()["items"]

        assert told["state"] == "silent"
        assert told["silent_since_at"] == told["last_sample_at"]

    def test_is_read_page_by_page(self, http_of_each):
        rows = [a_row(device=f"d{k}") for k in range(5)]
        http_of_each.post("/v1/samples", json={"samples": rows})

        first = http_of_each.get("/v1/sources", params={"limit": 4}).json()
        rest = http_of_each.get("/v1/sources", params={"limit": 4, "cursor": first["next"]}).json()

        assert [one["device"] for one in first["items"] + rest["items"]] == [f"d{k}" for k in range(5)]

    def test_is_read_page_by_page_with_those_that_were_never_heard(self, http_of_each, engine):
        http_of_each.post("/v1/samples", json={"samples": [a_row(device="d1"), a_row(device="d3")]})
        with engine.begin() as connection:
            agents.note(connection, [a_polling("d2"), a_polling("d4")])

        first = http_of_each.get("/v1/sources", params={"limit": 3}).json()
        rest = http_of_each.get("/v1/sources", params={"limit": 3, "cursor": first["next"]}).json()

        assert [one["device"] for one in first["items"]] == ["d1", "d2", "d3"]
        assert ([one["device"] for one in rest["items"]], rest["next"]) == (["d4"], None)


class TestOne:
    def test_is_found_by_the_name_of_its_device(self, http_of_each):
        http_of_each.post("/v1/samples", json={"samples": [a_row(device=name) for name in ("sm-07", "rack 3/sm-08")]})

        assert http_of_each.get("/v1/sources/sm-07").json()["device_id"] == 1
        assert http_of_each.get("/v1/sources/rack%203%2Fsm-08").json()["device"] == "rack 3/sm-08"

    def test_is_found_though_it_was_never_heard(self, http_of_each, engine):
        with engine.begin() as connection:
            agents.note(connection, [a_polling("sm-30")])

        assert http_of_each.get("/v1/sources/sm-30").json()["polling"]["address"] == "192.0.2.30:161"

    @pytest.mark.parametrize("name", ["sm-99", "sm-99%00", "%F0%9F%90%B4"])
    def test_is_not_found_by_a_name_that_nothing_has(self, http_of_each, name):
        assert http_of_each.get(f"/v1/sources/{name}").status_code == 404
