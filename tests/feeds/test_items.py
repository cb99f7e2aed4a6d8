import json
from contextlib import suppress

import pytest
from examples import EPOCH_MS
from hypothesis import given
from hypothesis import strategies as st

from service.errors import TooLarge, UnsupportedForm, UnusableInput
from service.feeds import items
from service.feeds.item_values import COLUMNS
from service.feeds.limits import IngestLimits
from service.terms import CONVERSATION, EGRESS, VIRTUAL_PORT, Endpoints, ItemReading

START, END = "2026-11-25T10:00:00Z", "2026-11-25T10:01:00Z"
VM_1 = ItemReading("sm-07", "m1", EGRESS, VIRTUAL_PORT, "vm-1", EPOCH_MS, EPOCH_MS + 60_000, 1500)


def an_item(**changes):
    """One good item; None takes a field out."""
    usual = {"device": "sm-07", "port": "m1", "name": "vm-1", "direction": "egress", "start": START, "end": END}
    return {name: value for name, value in {**usual, "octets": 1500, **changes}.items() if value is not None}


def parsed(*told, **more):
    return items.parse(json.dumps({"items": told}).encode(), items.JSON, **more)


def refusal(**changes):
    [reject] = parsed(an_item(**changes)).rejects
    return reject.column, reject.reason


class TestJson:
    def test_reads_octets_of_a_stretch(self):
        assert parsed(an_item()).readings == ((0, ItemReading(**{**vars(VM_1), "source": "push"})),)

    def test_makes_octets_of_a_mean_rate(self):
        [(_, told)] = parsed(an_item(octets=None, bps=480e6)).readings

        assert told.octets == 60 * 480_000_000 // 8

    def test_takes_what_has_ends_for_a_conversation(self):
        ends = {"source": "192.0.2.10", "destination": "2001:DB8::7", "protocol": 6, "source_mac": "00:00:5E:00:53:01"}
        [(_, told)] = parsed(an_item(name=None, **ends)).readings

        assert (told.kind, told.name, told.parts) == (CONVERSATION, "192.0.2.10 > 2001:db8::7 tcp", 1)
        assert told.endpoints == Endpoints("192.0.2.10", "2001:db8::7", 6, source_mac="00:00:5e:00:53:01")

    def test_reads_running_counters(self):
        told = {"device": "sm-07", "port": "m1", "name": "vm-1", "time": START, "out_octets": 7, "in_octets": 2**63 - 1}

        [counter] = parsed(told).counters

        assert (counter.at_ms, counter.out_octets, counter.in_octets) == (EPOCH_MS, 7, 2**63 - 1)

    @pytest.mark.parametrize(
        ("changes", "column"),
        [
            ({"device": ""}, "device"),
            ({"port": 7}, "port"),
            ({"name": "x" * 256}, "name"),
            ({"name": "a\tb"}, "name"),
            ({"name": None}, "name"),
            ({"direction": "out"}, "direction"),
            ({"start": END, "end": START}, "end"),
            ({"end": "2026-11-26T10:00:01Z"}, "end"),
            ({"start": "10:00"}, "start"),
            ({"start": True}, "start"),
            ({"octets": None}, "octets"),
            ({"octets": -1}, "octets"),
            ({"octets": 1.5}, "octets"),
            ({"octets": True}, "octets"),
            ({"octets": 10**17}, "octets"),
            ({"bps": 1}, "octets"),
            ({"octets": None, "bps": "much"}, "bps"),
            ({"octets": None, "bps": 1e300}, "bps"),
            ({"kind": "machine"}, "kind"),
            ({"source": "here"}, "source"),
            ({"source_mac": "00-00-5e"}, "source_mac"),
            ({"protocol": 256}, "protocol"),
            ({"time": START}, "direction"),
        ],
    )
    def test_says_what_is_wrong_with_an_item(self, changes, column):
        assert refusal(**changes)[0] == column

    def test_takes_a_whole_day_and_no_more(self):
        assert parsed(an_item(end="2026-11-26T10:00:00Z")).rejects == ()

    def test_refuses_names_that_it_does_not_know_or_that_come_twice(self):
        twice = b'{"items": [{"device": "a", "device": "b"}, {"colour": 1}]}'

        told = items.parse(twice, items.JSON)

        assert ["twice" in reject.reason or "not known" in reject.reason for reject in told.rejects] == [True, True]

    def test_refuses_more_than_are_taken_at_once(self):
        with pytest.raises(TooLarge):
            parsed(an_item(), an_item(), limits=IngestLimits(max_samples=1))


class TestCsv:
    def test_reads_lines_and_names_those_that_it_refuses(self):
        text = f"# by hand\ndevice,port,name,direction,start,end,octets\nsm-07,m1,vm-1,egress,{START},{END},1500\n\nx\n"

        told = items.parse(text.encode(), "text/csv; charset=utf-8")

        assert told.readings == ((3, ItemReading(**{**vars(VM_1), "source": "csv"})),)
        assert [reject.index for reject in told.rejects] == [5]

    @pytest.mark.parametrize("header", ["device,port,colour", "device,device,port", "device,name", '"device'])
    def test_refuses_a_header_that_it_does_not_know(self, header):
        with pytest.raises(UnusableInput):
            items.parse(f"{header}\n".encode(), items.CSV)


class TestForeign:
    def test_forms_are_refused(self):
        with pytest.raises(UnsupportedForm):
            items.parse(b"<items/>", "text/xml")

    @given(st.binary(max_size=200), st.sampled_from(items.FORMS))
    def test_octets_bring_about_a_refusal_at_most(self, octets, form):
        with suppress(UnusableInput):
            items.parse(octets, form)

    @given(
        st.lists(
            st.dictionaries(
                st.sampled_from(COLUMNS),
                st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.just(START),
            ),
            max_size=3,
        )
    )
    def test_values_bring_about_a_reject_at_most(self, told):
        found = parsed(*told)

        assert len(found.readings) + len(found.counters) + len(found.rejects) == len(told)
