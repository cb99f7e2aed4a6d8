"""A shelf keeps quiet until it ends (the product's own rule: at its end, still hot, a message goes out)."""

import json
from dataclasses import replace

import pytest
from examples import EPOCH_MS, a_finding

from service import delivery
from service.evaluation import shelving
from service.storage import deliveries, findings
from service.terms import Severity
from service.webhooks.routes import Route

HOUR_MS = 3_600_000
UNTIL_MS = EPOCH_MS + 4 * HOUR_MS
ROUTES = (Route("ops", "https://ops.brackenhythe.example/hook", (b"0123456789abcdef",)),)


def shelve(connection, finding):
    """A finding that people were told of and laid aside."""
    findings.save(connection, 1, finding)
    tell(connection, finding, "raised")
    findings.set_operator(connection, finding.id, "shelved", "R. Olin", UNTIL_MS)


def tell(connection, finding, what, after_ms=0):
    return delivery.owe(connection, finding, what, ROUTES, finding.updated_ms + after_ms)


def messages(connection, finding):
    return [one.what for one in reversed(deliveries.listing(connection, finding_id=finding.id).items)]


@pytest.fixture
def finding():
    return a_finding(id="f1")


class TestWhileShelved:
    @pytest.mark.parametrize("what", ["recurrent", "unverified"])
    def test_what_goes_on_owes_nothing(self, connection, finding, what):
        shelve(connection, finding)

        assert tell(connection, replace(finding, updated_ms=UNTIL_MS - 1), what) == 0

    @pytest.mark.parametrize(("severity", "owed"), [(Severity.MINOR, 0), (Severity.MAJOR, 1), (Severity.CRITICAL, 1)])
    def test_only_a_rise_to_where_somebody_is_to_act_now_is_told(self, connection, finding, severity, owed):
        shelve(connection, finding)

        assert tell(connection, replace(finding, severity=severity, updated_ms=UNTIL_MS - 1), "severity") == owed

    def test_whoever_heard_of_it_hears_of_its_end(self, connection, finding):
        shelve(connection, finding)

        assert tell(connection, replace(finding, cleared_ms=UNTIL_MS - 1), "cleared") == 1


class TestWhileTaken:
    """No repeat while somebody is at it, unless it becomes graver."""

    def test_that_it_goes_on_owes_nothing_and_that_it_is_graver_does(self, connection, finding):
        findings.save(connection, 1, finding)
        tell(connection, finding, "raised")
        findings.set_operator(connection, finding.id, "ack", "R. Olin")

        again = tell(connection, finding, "raised", HOUR_MS)
        graver = tell(connection, replace(finding, severity=Severity.MAJOR, updated_ms=UNTIL_MS), "severity")

        assert (again, graver) == (0, 1)


class TestEndRunOut:
    def run(self, engine, now_ms):
        return shelving.end_run_out(engine, ROUTES, now_ms)

    def test_tells_again_of_one_that_is_still_open(self, engine, finding):
        with engine.begin() as connection:
            shelve(connection, finding)

        assert self.run(engine, UNTIL_MS) == 1
        with engine.begin() as connection:
            kept = findings.one(connection, "f1")
            assert (kept.operator_state, kept.shelved_until_ms) == ("none", None)
            assert messages(connection, finding) == ["raised", "unshelved"]
            assert findings.history(connection, "f1")[-1].what == "unshelved"
            body = json.loads(deliveries.listing(connection, finding_id="f1").items[0].body)
            assert "the shelf has ended, and it is still open" in body["data"]["text"]

    def test_does_nothing_before_the_time_and_nothing_twice(self, engine, finding):
        with engine.begin() as connection:
            shelve(connection, finding)

        assert [self.run(engine, now_ms) for now_ms in (UNTIL_MS - 1, UNTIL_MS, UNTIL_MS + 1)] == [0, 1, 0]

    def test_is_silent_about_one_that_is_over(self, engine, finding):
        with engine.begin() as connection:
            shelve(connection, finding)
            findings.save(connection, 1, replace(finding, cleared_ms=UNTIL_MS - 1))

        assert self.run(engine, UNTIL_MS) == 1
        with engine.begin() as connection:
            assert messages(connection, finding) == ["raised"]

    def test_tells_each_time_a_shelf_ends(self, engine, finding):
        with engine.begin() as connection:
            shelve(connection, finding)
        self.run(engine, UNTIL_MS)
        with engine.begin() as connection:
            findings.set_operator(connection, "f1", "shelved", "R. Olin", UNTIL_MS + HOUR_MS)
        self.run(engine, UNTIL_MS + HOUR_MS)

        with engine.begin() as connection:
            assert messages(connection, finding) == ["raised", "unshelved", "unshelved"]
