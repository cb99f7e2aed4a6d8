from dataclasses import replace

import jsonschema_rs
import pytest
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from examples import a_finding

from service.terms import Severity
from service.webhooks import envelope, grouped
from service.webhooks.wording import MOST_LETTERS

VALID = jsonschema_rs.validator_for(envelope.schema(), validate_formats=True).is_valid
MINUTE = 60_000


def parts(count, what="raised", **changes):
    for n in range(count):
        finding = a_finding(id=f"f{n}", device=f"sm-{n:02}", **changes)
        yield envelope.event(finding, what, f"msg-{n}")


def told(count=8, what="raised", **more):
    return grouped.event(list(parts(count, what)), what, "msg-many-1", **{"key": "sw-s1", **more})


class TestEvent:
    def test_is_valid_by_our_schema_and_cloudevents(self):
        event = told()

        assert VALID(event["data"])
        read = JSONFormat().read(CloudEvent, envelope.body_of(event).encode())
        assert (read.get_type(), read.get_id()) == ("lopside.findings.raised", "msg-many-1")

    def test_counts_them_and_names_what_they_share(self):
        event = told(118)

        assert event["data"]["text"].startswith("118 findings toward sw-s1 raised: 118 uneven (")
        assert event["data"]["group"]["count"] == len(event["data"]["group"]["findings"]) == 118

    def test_names_at_most_so_many(self):
        event = told(900)

        assert len(event["data"]["group"]["findings"]) == grouped.MOST_LISTED
        assert event["data"]["group"]["count"] == 900

    def test_tells_of_the_worst_first(self):
        some = list(parts(8))
        some.append(envelope.event(a_finding(id="worst", device="uw-01", severity=Severity.MAJOR), "raised", "msg-w"))
        event = grouped.event(some, "raised", "msg-many-1")

        assert event["data"]["finding"]["id"] == event["data"]["group"]["findings"][0]["id"] == "worst"
        assert "\nWorst: uw-01, team front, egress: " in event["data"]["text"]
        assert "Act now." in event["data"]["text"].split("\n")[0]

    def test_says_within_which_time(self):
        some = [
            envelope.event(
                replace(a_finding(id=f"f{n}"), raised_ms=a_finding().raised_ms + n * 5_000), "raised", f"m{n}"
            )
            for n in range(9)
        ]

        assert "raised within 40 s" in grouped.event(some, "raised", "msg-many-1")["data"]["text"]

    @pytest.mark.parametrize("count", [2, 5, 20, 2_000])
    @pytest.mark.parametrize("what", ["raised", "escalated", "cleared"])
    def test_is_never_longer_than_one_message(self, count, what):
        changes = {"cleared_ms": a_finding().raised_ms + 9 * MINUTE} if what == "cleared" else {}
        event = grouped.event(list(parts(count, what, team="a-team-" * 30, **changes)), what, "m", key="sw" * 100)

        assert len(event["data"]["text"]) <= MOST_LETTERS

    def test_says_that_they_are_over_and_asks_nobody_to_act(self):
        text = grouped.event(list(parts(6, "cleared", cleared_ms=a_finding().raised_ms + MINUTE)), "cleared", "m")[
            "data"
        ]["text"]

        assert text.startswith("6 findings over: ")
        assert "now" not in text.split("\n")[0]

    def test_leaves_a_strangers_name_plain(self):
        text = told(key="<http://evil.example|sw>")["data"]["text"]

        assert "<http" not in text

    def test_leads_to_the_pages(self):
        assert told(pages_at="https://lopside.example")["data"]["links"] == {"finding": "https://lopside.example/"}
