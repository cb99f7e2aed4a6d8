from examples import EPOCH_MS
from feed_examples import a_row
from web_examples import asked

from service.storage import inventory


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

    def test_is_read_page_by_page(self, http_of_each):
        rows = [a_row(device=f"d{k}") for k in range(5)]
        http_of_each.post("/v1/samples", json={"samples": rows})

        first = http_of_each.get("/v1/sources", params={"limit": 4}).json()
        rest = http_of_each.get("/v1/sources", params={"limit": 4, "cursor": first["next"]}).json()

        assert [one["device"] for one in first["items"] + rest["items"]] == [f"d{k}" for k in range(5)]
