"""What was read at the far end, told as the near end would tell it."""

import json

import numpy as np
from feed_examples import a_row, as_csv, plain
from hypothesis import given
from hypothesis import strategies as st

from service.feeds import body
from service.feeds.mirrored import mirrored
from service.terms import COUNTERS, UNKNOWN, OperStatus, PortName, Role

ALL = {name: number for number, name in enumerate(COUNTERS, start=1)}


def parsed(*rows):
    return body.parse(as_csv(rows), body.CSV)


class TestMirrored:
    def test_changes_over_every_counter(self):
        (near,) = plain(mirrored(parsed(a_row(**ALL))))

        for name, number in ALL.items():
            way, _, measure = name.partition("_")
            other = {"in": "out", "out": "in"}[way]
            assert near[f"{other}_{measure}"] == number

    def test_changes_over_rates(self):
        row = a_row(in_octets=None, out_octets=None, in_bps=902_000_000, out_bps=41_000_000)
        (near,) = plain(mirrored(parsed(row)))

        assert (near["out_octets"], near["in_octets"]) == (902_000_000, 41_000_000)

    def test_knows_no_more_than_was_told(self):
        (near,) = plain(mirrored(parsed(a_row(in_octets=None, out_discards=7))))

        assert {name: near[name] for name in near if name in COUNTERS} == {"in_octets": 2, "in_discards": 7}

    def test_keeps_names_and_rejects_and_drops_the_far_end_s_method_and_number(self):
        far = parsed(a_row(method="ip-pair", bundle="lacp", if_index=48), a_row(port="m2", in_octets=-1))
        near = mirrored(far)

        assert near.ports == (PortName("sm-07", "m1", "front", bundle="lacp"),)
        assert near.rejects == far.rejects

    def test_passes_off_nothing_of_the_far_port_as_the_near_one_s_own(self):
        far = parsed(a_row(mac="02:00:5e:10:00:01", role="standby", last_change_ticks=7, uptime_ticks=9))
        assert (far.facts.mac[0], far.facts.role[0], far.facts.last_change_ticks[0]) == (
            0x02005E100001,
            Role.STANDBY,
            7,
        )

        (near,) = plain(mirrored(far))

        assert (near["mac"], near["role"], near["last_change_ticks"]) == (0, Role.NOT_TOLD, UNKNOWN)

    def test_keeps_what_is_of_the_cable_or_of_the_counters(self):
        """Frames cross a cable only while both of its ends pass them: common practice, no source."""
        of_cable = {"speed_bps": 10**9, "oper_status": "down", "duplex": "half"}
        of_counters = {
            "counter_bits": 32,
            "counts": "payload",
            "mtu": 9000,
            "uptime_ticks": 9,
            "discontinuity_ticks": 8,
        }
        far = parsed(a_row(**of_cable, **of_counters))
        (near,), (told,) = plain(mirrored(far)), plain(far)

        kept = ("speed_bps", "oper", "half_duplex", "counter_bits", "counts", "mtu", "form")
        kept += ("uptime_ticks", "discontinuity_ticks")
        assert {name: near[name] for name in kept} == {name: told[name] for name in kept}
        assert (near["oper"], near["half_duplex"], near["mtu"]) == (OperStatus.DOWN, 1, 9000)

    def test_has_facts_once_that_differed_in_the_far_end_s_own(self):
        rows = [a_row(time=n, mac=f"02:00:5e:10:00:0{n}", speed_bps=10**9) for n in (1, 2)]

        assert mirrored(parsed(*rows)).facts.speed_bps.tolist() == [10**9]

    @given(st.lists(st.dictionaries(st.sampled_from(COUNTERS), st.integers(0, 2**64 - 1)), max_size=5))
    def test_is_undone_by_itself(self, told):
        rows = [a_row(time=n, in_octets=None, out_octets=None) | counters for n, counters in enumerate(told)]
        once = body.parse(json.dumps({"samples": rows}).encode(), body.JSON)
        twice = mirrored(mirrored(once))

        assert plain(twice) == plain(once)
        assert np.array_equal(twice.samples.counters, once.samples.counters)
