"""NOT-7: what is for planners comes as one message a day, what is for others at once."""

import json
from dataclasses import replace
from datetime import time

import pytest
from examples import EPOCH_MS, a_finding

from service import delivery
from service.settings.reading import settled
from service.settings.routing import routes_of
from service.storage import deliveries, findings
from service.terms import Severity
from service.webhooks import digests
from service.webhooks.retry import Answer
from service.webhooks.routes import Route

HOUR = 3_600_000
PLANNERS = Route("planners", "https://plan.example/hook", zone="Europe/Lisbon", digest_at=time(8))
CHAT = Route("chat", "https://chat.example/hook")
DUE_MS = digests.due_ms(time(8), "Europe/Lisbon", EPOCH_MS)


def count_of(body):
    return body["data"].get("group", {}).get("count", 1)


@pytest.fixture
def heard(engine):
    """What is taken of what is due, by route."""
    told = []

    def send(route, _headers, body):
        told.append((route.name, json.loads(body)))
        return Answer(204)

    def deliver(now_ms):
        told.clear()
        delivery.deliver_due(engine, send, (PLANNERS, CHAT), now_ms=now_ms)
        return [(name, body["type"].removeprefix("lopside."), count_of(body)) for name, body in told]

    return deliver


def owe(engine, finding_id, what="raised", at_ms=EPOCH_MS, **changes):
    finding = replace(a_finding(id=finding_id, device=f"sm-{finding_id}"), **changes)
    with engine.begin() as connection:
        findings.save(connection, 1, finding)
        return delivery.owe(connection, finding, what, (PLANNERS, CHAT), at_ms)


class TestDigest:
    def test_tells_planners_once_in_the_morning_and_others_at_once(self, engine, heard):
        for n in range(3):
            owe(engine, f"f{n}", at_ms=EPOCH_MS + n * HOUR)
            assert heard(EPOCH_MS + n * HOUR) == [("chat", "finding.raised", 1)]

        assert heard(DUE_MS - 1) == []
        assert heard(DUE_MS) == [("planners", "findings.raised", 3)]
        assert heard(DUE_MS + 24 * HOUR) == []

    def test_leaves_a_single_one_as_it_is(self, engine, heard):
        owe(engine, "f1")
        heard(EPOCH_MS)

        assert heard(DUE_MS) == [("planners", "finding.raised", 1)]

    def test_tells_of_what_came_and_went_before_it_once(self, engine, heard):
        for n in range(2):
            at_ms = EPOCH_MS + 2 * n * HOUR
            owe(engine, f"f{n}", at_ms=at_ms)
            heard(at_ms)
            owe(engine, f"f{n}", "cleared", at_ms + HOUR, cleared_ms=at_ms + HOUR)
        heard(EPOCH_MS + 4 * HOUR)

        assert heard(DUE_MS) == [("planners", "findings.cleared", 2)]

    def test_tells_of_the_end_on_the_next_day(self, engine, heard):
        owe(engine, "f1")
        heard(DUE_MS)
        owe(engine, "f1", "cleared", DUE_MS + HOUR, cleared_ms=DUE_MS + HOUR)

        assert heard(DUE_MS + 2 * HOUR) == [("chat", "finding.cleared", 1)]
        assert heard(DUE_MS + 24 * HOUR) == [("planners", "finding.cleared", 1)]

    def test_leaves_out_what_only_whoever_acts_now_wants_to_know(self, engine, heard):
        owe(engine, "f1")
        owe(engine, "f1", "severity", EPOCH_MS + HOUR, severity=Severity.CRITICAL, updated_ms=EPOCH_MS + HOUR)

        with engine.connect() as connection:
            told = deliveries.listing(connection).items
        assert sorted((one.route, one.what) for one in told) == [
            ("chat", "raised"),
            ("chat", "severity"),
            ("planners", "raised"),
        ]


class TestSettings:
    def test_name_the_time_of_day(self):
        told = {"name": "planners", "url": "https://203.0.113.7/hook", "digest_at": "08:00", "zone": "Europe/Lisbon"}
        told["allow_networks"] = ["203.0.113.0/24"]

        [route] = routes_of(settled({"routes": [told]}))

        assert (route.digest_at, route.zone) == (time(8), "Europe/Lisbon")
