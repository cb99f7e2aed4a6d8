import json
from copy import deepcopy
from dataclasses import replace

import jsonschema_rs
import pytest
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from examples import EPOCH_MS, a_finding

from service.terms import UNKNOWN, Evidence, Finding, MemberFigure
from service.webhooks.envelope import SCHEMA, body_of, combined, event, event_of, example_body, schema
from service.webhooks.fields import fields_of, finding_of, instant, milliseconds
from service.webhooks.wording import text_of

VALID = jsonschema_rs.validator_for(schema(), validate_formats=True).is_valid
WHATS = ("raised", "severity", "recurrent", "unverified", "unshelved", "escalated", "cleared", "combined")

# What schema 1 promised when it was published. It may grow; what goes from it takes a new number.
SCHEMA_1 = {
    *("id", "device", "team", "direction", "family", "kind", "severity", "since_at", "raised_at", "cleared_at"),
    *(
        "updated_at",
        "hot_until_at",
        "hot",
        "idle",
        "members",
        "peak",
        "peak_port",
        "peak_at",
        "even_split",
        "imbalance",
    ),
    *(
        "usable_bps",
        "stranded_bps",
        "room_bps",
        "discard_ratio",
        "basis",
        "windows_seen",
        "windows_evaluable",
        "windows_flagged",
    ),
    *("recurrences", "unverified", "uncertain", "owner", "diagnosis", "confidence", "evidence", "rule_note"),
}


def told(what="raised", **changes):
    return event(a_finding(**changes), what, "msg-1")


class TestEvent:
    @pytest.mark.parametrize("what", WHATS)
    def test_is_read_by_the_reference_library(self, what):
        body = body_of(told(what, cleared_ms=EPOCH_MS + 600_000)).encode()

        read = JSONFormat().read(CloudEvent, body)

        assert (read.get_id(), read.get_source(), read.get_type()) == ("msg-1", "/lopside", f"lopside.finding.{what}")
        assert read.get_specversion() == "1.0"
        assert read.get_datacontenttype() == "application/json"
        assert read.get_data()["text"] == text_of(a_finding(cleared_ms=EPOCH_MS + 600_000), what)

    def test_names_its_attributes_as_the_specification_asks(self):
        # CloudEvents 1.0.2: names are lower-case letters and digits, of at most 20 letters.
        assert all(name.isalnum() and name.islower() and len(name) <= 20 for name in told())
        assert {"id", "source", "specversion", "type"} <= set(told())

    def test_happened_when_the_change_did(self):
        assert told("raised")["time"] == "2026-11-25T10:01:30Z"
        assert told("cleared", cleared_ms=EPOCH_MS + 600_500)["time"] == "2026-11-25T10:10:00.500Z"

    def test_is_the_same_again_for_the_same_finding(self):
        assert body_of(told()) == body_of(told())

    def test_is_smaller_than_receivers_must_take(self):
        # Standard Webhooks recommends less than 20 kB; CloudEvents intermediaries must forward 64 KB.
        long = "x" * 255
        members = tuple(MemberFigure(long, 0.5, 10**11) for _ in range(8))
        signs = ("s" * 5000,) * 50
        weird = {
            "device": long,
            "team": long,
            "members": members,
            "hot": members,
            "evidence": Evidence(signs, signs, signs),
        }

        assert len(body_of(told(**weird)).encode()) < 20_000

    @pytest.mark.parametrize("name", ["\x00", "\ud800", '"\\u0000', "\u2028", "é"])
    def test_is_json_and_utf_8_whatever_a_device_is_called(self, name):
        body = body_of(told(device=name)).encode("utf-8")

        read = json.loads(body)["data"]["finding"]["device"]
        assert read == name.replace("\ud800", "?")

    def test_says_null_where_a_figure_is_no_number(self):
        fields = event_of(body_of(told(even_split=float("nan"), peak=float("inf"))))["data"]["finding"]

        assert (fields["even_split"], fields["peak"]) == (None, None)


class TestFields:
    def test_give_the_finding_back(self):
        finding = a_finding(
            cleared_ms=EPOCH_MS + 1,
            hot_until_ms=EPOCH_MS,
            discard_ratio=None,
            evidence=Evidence(("a",), ("b",), ("c",)),
            members=(MemberFigure("m1", None, 0, "no data"),),
        )

        assert finding_of(json.loads(json.dumps(fields_of(finding)))) == finding

    def test_give_the_finding_back_from_a_body_with_more_in_it(self):
        assert finding_of({**fields_of(a_finding()), "weather": "mild"}) == a_finding()

    def test_give_a_finding_back_from_a_body_of_a_release_before(self):
        fields = fields_of(a_finding())
        del fields["hot_until_at"], fields["windows_flagged"]

        assert finding_of(fields) == a_finding()

    def test_say_null_where_a_rate_is_unknown_and_read_it_back(self):
        unknown = a_finding(usable_bps=UNKNOWN, stranded_bps=UNKNOWN, room_bps=UNKNOWN)

        assert [fields_of(unknown)[name] for name in ("usable_bps", "stranded_bps", "room_bps")] == [None] * 3
        assert finding_of(fields_of(unknown)) == unknown

    def test_hold_every_field_of_a_finding(self):
        kept = {name.replace("_ms", "_at") for name in Finding.__dataclass_fields__}

        assert set(fields_of(a_finding())) == kept

    def test_hold_rates_as_whole_numbers_and_times_in_utc(self):
        fields = fields_of(a_finding())

        assert fields["stranded_bps"] == 980_000_000
        assert fields["raised_at"] == "2026-11-25T10:01:30Z"

    @pytest.mark.parametrize(
        ("ms", "text"), [(0, "1970-01-01T00:00:00Z"), (482_196_050_520, "1985-04-12T23:20:50.520Z"), (None, None)]
    )
    def test_write_instants_as_rfc_3339(self, ms, text):
        # RFC 3339 section 5.8: 1985-04-12T23:20:50.52Z.
        assert instant(ms) == text
        assert milliseconds(text) == ms


class TestSchema:
    @pytest.mark.parametrize("what", WHATS)
    def test_fits_every_message(self, what):
        assert VALID(told(what, cleared_ms=EPOCH_MS + 600_000)["data"])
        assert VALID(told(what)["data"])

    def test_bears_the_number_in_the_body(self):
        assert told()["data"]["schema"] == SCHEMA == schema()["properties"]["schema"]["const"]

    def test_still_fits_when_fields_are_added(self):
        body = told()["data"]
        body["weather"] = body["finding"]["weather"] = "mild"
        body["finding"]["hot"][0]["weather"] = "mild"

        assert VALID(body)

    @pytest.mark.parametrize("name", sorted(SCHEMA_1))
    def test_fits_no_longer_when_a_field_of_the_finding_goes(self, name):
        body = told()["data"]
        del body["finding"][name]

        assert not VALID(body)

    @pytest.mark.parametrize("name", ["schema", "what", "text", "finding"])
    def test_fits_no_longer_when_a_field_of_the_message_goes(self, name):
        body = told()["data"]
        del body[name]

        assert not VALID(body)

    def test_describes_every_field_that_is_sent(self):
        assert set(schema()["properties"]["finding"]["properties"]) == set(fields_of(a_finding()))

    @pytest.mark.parametrize(
        ("name", "value"), [("stranded_bps", 0.5), ("direction", "up"), ("raised_at", "yesterday"), ("cleared_at", 5)]
    )
    def test_refuses_a_value_of_another_form(self, name, value):
        body = deepcopy(told()["data"])
        body["finding"][name] = value

        assert not VALID(body)


class TestLinks:
    def test_lead_to_the_page_and_the_chart_of_a_finding(self):
        data = event(a_finding(), "raised", "msg-1", pages_at="https://lopside.example.net/b")["data"]
        page = f"https://lopside.example.net/b/findings/{a_finding().id}"

        assert data["links"] == {"finding": page, "chart": f"{page}/chart.svg"}
        assert VALID(data)

    def test_are_not_there_where_nobody_said_under_which_address_pages_are_seen(self):
        assert "links" not in told()["data"]

    def test_lead_to_no_chart_of_many_teams(self):
        finding = a_finding(kind="fleet-pattern", teams=("sm-07/front", "sm-08/front"))

        data = event(finding, "raised", "msg-1", pages_at="https://lopside.example.net")["data"]

        assert set(data["links"]) == {"finding"}
        assert VALID(data)

    def test_change_nothing_of_what_was_sent_before(self):
        # Schema 1 may grow; whoever reads what it had reads the same.
        with_links = event(a_finding(), "raised", "msg-1", pages_at="https://lopside.example.net")
        del with_links["data"]["links"]

        assert with_links == told()


class TestCombined:
    def test_leads_on_to_pages(self):
        cleared = a_finding(cleared_ms=EPOCH_MS + 1)

        both = combined(event(cleared, "cleared", "msg-2"), pages_at="https://lopside.example.net")

        assert both["data"]["links"]["finding"] == f"https://lopside.example.net/findings/{cleared.id}"

    def test_keeps_the_id_of_the_clear_and_tells_both(self):
        cleared = a_finding(cleared_ms=EPOCH_MS + 17 * 60_000)

        both = combined(event_of(body_of(event(cleared, "cleared", "msg-2", zone="UTC"))))

        assert both == event(cleared, "combined", "msg-2")
        assert "was hot 10:00-10:17, over" in both["data"]["text"]
        assert both["data"]["what"] == "combined"

    def test_changes_nothing_when_done_twice(self):
        once = combined(event(a_finding(cleared_ms=EPOCH_MS + 1), "cleared", "msg-2"))

        assert combined(once) == once


class TestExampleBody:
    @pytest.mark.parametrize("what", WHATS)
    def test_is_a_body_as_it_would_be_sent(self, what):
        body = json.loads(example_body(what))

        finding = finding_of(body["data"]["finding"])
        assert body == event(finding, what, body["id"])
        assert VALID(body["data"])
        assert finding == replace(finding, device="sm-07", team="front")
