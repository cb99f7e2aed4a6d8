from typing import get_args

import pytest
from examples import EPOCH_MS
from sqlalchemy import select
from web_examples import NOW_MS

from service.storage import deliveries, tables
from service.storage.deliveries import Owed
from service.web import models


@pytest.fixture
def owed(engine):
    """Messages d0 to d4 of the finding f1; d1 was taken, d2 given up."""
    with engine.begin() as connection:
        deliveries.owe(
            connection, [Owed(f"d{k}", "f1", "pager", "raised", '{"a": "body"}', EPOCH_MS + k) for k in range(5)]
        )
        deliveries.taken(connection, "d1", NOW_MS, "answered 204")
        deliveries.given_up(connection, "d2", NOW_MS, "answered 410")


class TestListing:
    def test_is_read_page_by_page_the_newest_first(self, http_of_each, owed):
        first = http_of_each.get("/v1/deliveries", params={"limit": 3}).json()
        rest = http_of_each.get("/v1/deliveries", params={"limit": 3, "cursor": first["next"]}).json()

        assert [one["id"] for one in first["items"] + rest["items"]] == ["d4", "d3", "d2", "d1", "d0"]

    @pytest.mark.parametrize(
        ("state", "expected"), [("owed", ["d4", "d3", "d0"]), ("taken", ["d1"]), ("given-up", ["d2"]), ("combined", [])]
    )
    def test_is_filtered_by_state(self, http_of_each, owed, state, expected):
        told = http_of_each.get("/v1/deliveries", params={"state": state}).json()

        assert [one["id"] for one in told["items"]] == expected

    def test_knows_every_state_there_is(self):
        assert get_args(models.DeliveryState) == deliveries.STATES

    def test_lists_what_is_held_and_what_nobody_was_told(self, http_of_each, engine):
        with engine.begin() as connection:
            deliveries.owe(connection, [Owed("d1", "f1", "pager", "raised", "{}", EPOCH_MS)], held_until_ms=NOW_MS)
        [held] = http_of_each.get("/v1/deliveries").json()["items"]
        with engine.begin() as connection:
            deliveries.leave_untold(connection, "f1", NOW_MS)
        [untold] = http_of_each.get("/v1/deliveries").json()["items"]

        assert (held["state"], untold["state"]) == ("held", "untold")
        assert untold["last_outcome"] == "began and ended within a quiet time"

    def test_tells_what_became_of_a_message_but_not_what_it_says(self, http_of_each, owed):
        [told] = http_of_each.get("/v1/deliveries", params={"state": "given-up"}).json()["items"]

        assert (told["route"], told["what"], told["finding_id"]) == ("pager", "raised", "f1")
        assert (told["last_outcome"], told["settled_at"]) == ("answered 410", "2026-11-25T10:02:00Z")
        assert told["next_attempt_at"] is None
        assert "body" not in told


class TestResend:
    def test_owes_one_that_was_given_up_again_under_its_id(self, http_of_each, engine, owed):
        answer = http_of_each.post("/v1/deliveries/d2/resend")

        assert answer.json() == {"id": "d2", "state": "owed"}
        with engine.connect() as connection:
            states = {one.id: one.state for one in deliveries.listing(connection).items}
            lines = connection.execute(select(tables.audit.c.who, tables.audit.c.what, tables.audit.c.target)).all()
        assert states["d2"] == "owed"
        assert [tuple(line) for line in lines] == [("loopback", "delivery.resend", "d2")]

    @pytest.mark.parametrize("delivery_id", ["d0", "d1", "d9"])
    def test_is_404_for_any_other(self, http_of_each, engine, owed, delivery_id):
        assert http_of_each.post(f"/v1/deliveries/{delivery_id}/resend").status_code == 404
        with engine.connect() as connection:
            assert connection.execute(select(tables.audit)).all() == []
