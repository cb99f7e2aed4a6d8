import pytest
from examples import EPOCH_MS

from service.storage import events, inventory
from service.terms import DataEvent, PortName


@pytest.fixture
def known(engine):
    """Five devices, d0 to d4, each with a team of one port."""
    with engine.begin() as connection:
        for k in range(5):
            inventory.resolve(connection, [PortName(f"d{k}", "m1", "front")], feed="push", now_ms=EPOCH_MS)
    return engine


class TestListing:
    def test_is_read_page_by_page_by_name(self, http_of_each, known):
        first = http_of_each.get("/v1/devices", params={"limit": 3}).json()
        rest = http_of_each.get("/v1/devices", params={"limit": 3, "cursor": first["next"]}).json()

        assert [one["device"] for one in first["items"] + rest["items"]] == ["d0", "d1", "d2", "d3", "d4"]
        assert (first["items"][0]["teams"], first["items"][0]["ports"], first["items"][0]["feed"]) == (1, 1, "push")
        assert rest["next"] is None


class TestOne:
    def test_tells_when_it_was_heard(self, played):
        told = played.get("/v1/devices/1").json()

        assert (told["device"], told["teams"], told["ports"]) == ("sm-07", 1, 2)
        assert told["last_sample_at"] == "2026-11-25T10:15:00Z"
        assert told["created_at"] == "2026-11-25T10:17:00Z"

    def test_is_404_for_an_id_that_nothing_has(self, http):
        assert http.get("/v1/devices/1").status_code == 404


class TestEvents:
    @pytest.fixture
    def told(self, known):
        with known.begin() as connection:
            kinds = ("restart", "silent", "restart", "flap")
            said = [
                DataEvent("d0", "m1" if k else "", EPOCH_MS + 1000 * k, kind, f"It was {k}.")
                for k, kind in enumerate(kinds)
            ]
            events.keep(connection, [*said, DataEvent("d1", "", EPOCH_MS, "silent", "Another.")])

    def texts(self, http, **query):
        return [one["text"] for one in http.get("/v1/devices/1/events", params=query).json()["items"]]

    def test_are_those_of_the_device_the_newest_first(self, http_of_each, told):
        assert self.texts(http_of_each) == ["It was 3.", "It was 2.", "It was 1.", "It was 0."]

    def test_are_filtered_by_kind_and_time(self, http_of_each, told):
        assert self.texts(http_of_each, kind="restart") == ["It was 2.", "It was 0."]
        assert self.texts(http_of_each, since="2026-11-25T10:00:02Z") == ["It was 3.", "It was 2."]

    def test_are_read_page_by_page(self, http_of_each, told):
        first = http_of_each.get("/v1/devices/1/events", params={"limit": 3}).json()

        assert self.texts(http_of_each, limit=3, cursor=first["next"]) == ["It was 0."]

    def test_have_no_port_where_they_are_of_the_device(self, http_of_each, told):
        assert [one["port"] for one in http_of_each.get("/v1/devices/1/events").json()["items"]][-2:] == ["m1", None]

    def test_of_an_unknown_device_are_404(self, http):
        assert http.get("/v1/devices/7/events").status_code == 404
