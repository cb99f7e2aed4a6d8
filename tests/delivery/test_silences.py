"""People are told that a source is silent: else its silence looks like calm."""

import json
from datetime import UTC, datetime

import pytest
from examples import EPOCH_MS
from sqlalchemy import select, update

from service import delivery
from service.storage import claims, database, deliveries, inventory, quiet_times, tables
from service.terms import DECLARED, Claim, PortName, QuietTime
from service.webhooks import silences
from service.webhooks.retry import Answer
from service.webhooks.routes import Route

MINUTE = 60_000
AFTER_MS = 15 * MINUTE
CHAT = Route("chat", "https://chat.example/hook")


@pytest.fixture
def fleet(engine):
    """Three devices that are heard."""
    names = [PortName(f"sm-0{n}", "m1", "front") for n in (7, 8, 9)]
    with engine.begin() as connection:
        inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
    return engine


def fall_silent(engine, *devices, at_ms=EPOCH_MS):
    with engine.begin() as connection:
        connection.execute(
            update(tables.devices).where(tables.devices.c.name.in_(devices)).values(silent_since_ms=at_ms)
        )


def come_back(engine, *devices):
    fall_silent(engine, *devices, at_ms=None)


def tell(engine, after_min, routes=(CHAT,)):
    return delivery.tell_of_silences(engine, routes, EPOCH_MS + after_min * MINUTE, AFTER_MS)


def told(engine):
    """What each message says, the first one first."""
    with database.reading(engine) as connection:
        return [(one.route, json.loads(one.body)) for one in reversed(deliveries.listing(connection).items)]


class TestTell:
    def test_waits_for_a_quarter_of_an_hour_and_tells_once(self, fleet):
        fall_silent(fleet, "sm-07", "sm-08")

        assert [tell(fleet, minutes) for minutes in (14, 15, 16, 60)] == [0, 1, 0, 0]
        [(_, event)] = told(fleet)
        assert event["type"] == "lopside.sources.silent"
        assert [one["device"] for one in event["data"]["sources"]] == ["sm-07", "sm-08"]
        assert event["data"]["text"].startswith("2 sources are silent, since: sm-07 (10:00 UTC), sm-08 (10:00 UTC).")

    def test_tells_when_they_are_heard_again_and_how_many_are_not(self, fleet):
        fall_silent(fleet, "sm-07", "sm-08")
        tell(fleet, 15)
        come_back(fleet, "sm-08")

        assert tell(fleet, 20) == 1
        _, event = told(fleet)[-1]
        assert (event["type"], event["data"]["silent"]) == ("lopside.sources.heard", 1)
        assert "A source is heard again, silent since: sm-08 (10:00 UTC)." in event["data"]["text"]
        assert tell(fleet, 21) == 0

    def test_says_nothing_of_one_that_came_back_before(self, fleet):
        fall_silent(fleet, "sm-07")
        come_back(fleet, "sm-07")

        assert tell(fleet, 60) == 0

    def test_tells_of_the_next_silence_too(self, fleet):
        fall_silent(fleet, "sm-07")
        tell(fleet, 15)
        come_back(fleet, "sm-07")
        tell(fleet, 20)
        fall_silent(fleet, "sm-07", at_ms=EPOCH_MS + 30 * MINUTE)

        assert tell(fleet, 45) == 1

    def test_tells_each_route_of_its_own_devices_and_sites(self, fleet):
        with fleet.begin() as connection:
            claims.keep(connection, [Claim("sm-08", "m1", DECLARED, site="Brackenhythe")], EPOCH_MS)
        routes = (
            Route("seven", "https://a.example/", devices=("sm-07",)),
            Route("hythe", "https://b.example/", sites=("Bracken*",)),
            Route("none", "https://c.example/", silences=False),
            Route("escalations", "https://d.example/", severities=frozenset()),
        )
        fall_silent(fleet, "sm-07", "sm-08")

        assert tell(fleet, 15, routes) == 2
        # Where sm-07 stands is not known, so that it is told to those of any site.
        assert {route: [one["device"] for one in event["data"]["sources"]] for route, event in told(fleet)} == {
            "seven": ["sm-07"],
            "hythe": ["sm-07", "sm-08"],
        }

    def test_waits_for_the_end_of_a_quiet_time(self, fleet):
        begins = datetime.fromtimestamp(EPOCH_MS / 1000, UTC).replace(tzinfo=None)
        with fleet.begin() as connection:
            quiet_times.add(connection, QuietTime("q1", begins, 60, devices=("sm-*",), because="work"))
        fall_silent(fleet, "sm-07", "sm-08")

        assert [tell(fleet, minutes) for minutes in (15, 59)] == [0, 0]
        come_back(fleet, "sm-08")
        assert tell(fleet, 61) == 1
        [(_, event)] = told(fleet)
        assert event["data"]["count"] == 1

    def test_reaches_its_receiver(self, fleet):
        fall_silent(fleet, "sm-07")
        tell(fleet, 15)
        heard = []

        def send(_route, _headers, body):
            heard.append(json.loads(body)["data"]["what"])
            return Answer(204)

        delivery.deliver_due(fleet, send, (CHAT,), now_ms=EPOCH_MS + 15 * MINUTE)
        assert heard == ["silent"]

    def test_is_noted_even_where_nobody_wants_to_know(self, fleet):
        fall_silent(fleet, "sm-07")

        assert tell(fleet, 15, ()) == 0
        noted = select(tables.devices.c.silence_told_ms).where(tables.devices.c.name == "sm-07")
        with fleet.connect() as connection:
            assert connection.scalar(noted) == EPOCH_MS


class TestEvent:
    def test_of_many_names_a_few_and_stays_short(self):
        many = [(f"device-with-a-long-name-of-its-own-in-row-{n}", EPOCH_MS) for n in range(500)]

        event = silences.event("silent", many, "msg-1", EPOCH_MS, silent=500, pages_at="https://lopside.example.net")

        assert len(event["data"]["text"]) <= 900
        assert "and 494 more" in event["data"]["text"]
        assert len(event["data"]["sources"]) == 200
        assert event["data"]["links"] == {"sources": "https://lopside.example.net/sources"}

    def test_leaves_foreign_names_text(self):
        event = silences.event("heard", [("<@here> *x*", EPOCH_MS)], "msg-1", EPOCH_MS, silent=0)

        assert "<@here>" not in event["data"]["text"]
        assert "Still silent" not in event["data"]["text"]
