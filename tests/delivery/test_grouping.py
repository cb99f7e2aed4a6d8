"""NOT-3: a storm is told as one."""

import json

import pytest
from examples import EPOCH_MS, a_finding

from service import delivery
from service.delivery.owing import Alike
from service.storage import deliveries
from service.webhooks.retry import Answer
from service.webhooks.routes import Route

SECOND = 1_000
CHAT = Route("chat", "https://chat.example/hook")
DESK = Route("desk", "https://desk.example/hook")


class Heard:
    """A stand-in for what sends: notes the bodies, and answers the same to all."""

    def __init__(self, status=204):
        self.bodies, self.status = [], status

    def __call__(self, route, _headers, body):
        self.bodies.append((route.name, json.loads(body)))
        return Answer(self.status)

    @property
    def types(self):
        return [body["type"].removeprefix("lopside.") for _, body in self.bodies]


def raising(engine, count, *, key="sw-s1", first=0, routes=(CHAT,), what="raised", **changes):
    """So many findings raised over a minute, each of a device of its own."""
    with engine.begin() as connection:
        for n in range(first, first + count):
            at_ms = EPOCH_MS + (n * 60 * SECOND) // 120
            finding = a_finding(id=f"f{n}", device=f"sm-{n}", raised_ms=at_ms, since_ms=at_ms, **changes)
            delivery.owe(connection, finding, what, routes, at_ms, alike=Alike(key, 35 * SECOND if key else 0))


def deliver(engine, heard, at_s, routes=(CHAT,)):
    return delivery.deliver_due(engine, heard, routes, now_ms=EPOCH_MS + at_s * SECOND)


class TestGather:
    def test_tells_a_storm_behind_one_switch_in_one_message_and_others_in_their_own(self, engine):
        heard = Heard()
        raising(engine, 118)
        raising(engine, 2, key="", first=118)

        for at_s in range(0, 200, 5):
            deliver(engine, heard, at_s)

        assert sorted(heard.types) == ["finding.raised", "finding.raised", "findings.raised"]
        [many] = [body for _, body in heard.bodies if "group" in body["data"]]
        assert many["data"]["group"]["count"] == 118
        assert many["data"]["group"]["key"] == "sw-s1"

    def test_waits_for_nobody_where_few_are_alike(self, engine):
        heard = Heard()
        raising(engine, 4)

        deliver(engine, heard, 60)

        assert heard.types == ["finding.raised"] * 4

    def test_tells_many_at_once_as_one_whatever_their_cause(self, engine):
        heard = Heard()
        raising(engine, 20, key="")

        deliver(engine, heard, 30)

        assert heard.types == ["findings.raised"]

    def test_tells_each_route_for_itself(self, engine):
        heard = Heard()
        raising(engine, 6, routes=(CHAT, DESK))

        deliver(engine, heard, 60, (CHAT, DESK))

        assert sorted((name, body["data"]["group"]["count"]) for name, body in heard.bodies) == [
            ("chat", 6),
            ("desk", 6),
        ]

    def test_tells_the_end_of_a_storm_as_one_too(self, engine):
        heard = Heard()
        raising(engine, 8)
        deliver(engine, heard, 60)
        raising(engine, 8, key="", what="cleared", cleared_ms=EPOCH_MS + 600 * SECOND)

        deliver(engine, heard, 700)

        assert heard.types == ["findings.raised", "findings.cleared"]

    def test_tells_the_end_of_one_of_many_by_itself(self, engine):
        heard = Heard()
        raising(engine, 8)
        deliver(engine, heard, 60)
        raising(engine, 1, key="", what="cleared", cleared_ms=EPOCH_MS + 600 * SECOND)

        deliver(engine, heard, 700)

        assert heard.types == ["findings.raised", "finding.cleared"]

    def test_keeps_the_end_behind_a_storm_that_nobody_took_yet(self, engine):
        heard = Heard(503)
        raising(engine, 8)
        deliver(engine, heard, 60)
        raising(engine, 1, key="", what="cleared", cleared_ms=EPOCH_MS + 600 * SECOND)
        heard.status = 204

        for at_s in (61, 700, 701):
            deliver(engine, heard, at_s)

        assert heard.types == ["findings.raised", "findings.raised", "finding.cleared"]

    def test_is_under_one_id_however_often_it_is_sent(self, engine):
        heard = Heard(503)
        raising(engine, 8)
        for at_s in (60, 100, 400):
            deliver(engine, heard, at_s)

        assert len({body["id"] for _, body in heard.bodies}) == 1

    def test_leaves_a_line_of_what_became_of_each(self, engine):
        raising(engine, 8)
        deliver(engine, Heard(), 60)

        with engine.connect() as connection:
            told = deliveries.listing(connection).items
        assert sorted(one.state for one in told) == ["combined"] * 8 + ["taken"]
        [many] = [one for one in told if one.state == "taken"]
        assert {one.told_with for one in told if one.state == "combined"} == {many.id}

    @pytest.mark.parametrize("count", [4, 8])
    def test_loses_nothing_where_the_settings_name_the_route_no_more(self, engine, count):
        raising(engine, count)
        deliver(engine, Heard(), 60, ())

        with engine.connect() as connection:
            assert {one.state for one in deliveries.listing(connection).items} == {"given-up"}
