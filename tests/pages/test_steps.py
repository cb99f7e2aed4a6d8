from fractions import Fraction

import pytest
from examples import EPOCH_MS
from web_examples import asked

from service.pages.steps import clock, steps
from service.web.measured import Working

START = "2026-11-25T10:00:00Z"
T0 = "2026-11-25T10:00:"


def a_part(begin, end, before, after, **told):
    usual = {"wraps": 0, "octets": after - before, "frames": 0, "seconds": end - begin, "speed_bps": 10**9}
    names = {"start": f"{T0}{begin:02}Z", "end": f"{T0}{end:02}Z", "reading_before": before, "reading_after": after}
    return {**usual, **names, "status": "ok", "flags": [], **told}


def a_working(*parts, **told):
    usual = {
        "device": "sm-14",
        "team": "front",
        "port": "m1",
        "direction": "egress",
        "start": START,
        "end": f"{T0}30Z",
        "covered_seconds": 30,
        "coverage": 1,
        "speed_bps": 10**9,
        "speed_source": "told with the samples",
        "added_octets_per_frame": 20,
        "basis": "wire",
        "shared": False,
        "utilisation": None,
        "lower": None,
        "upper": None,
        "why_not": "",
        "by_hand": None,
        "decided": None,
    }
    return Working.model_validate({**usual, "parts": list(parts), **told})


class TestSteps:
    def test_go_round_with_the_counter(self):
        # Source: RFC 2578 section 7.1.6, a Counter32 goes round at 2^32; 4,294,967,296 - 4,000,000,000 +
        # 2,646,907,704 = 2,941,875,000 octets, which are 78.45 % of 30 s at 1 Gbit/s; worked by hand.
        part = a_part(0, 30, 4_000_000_000, 2_646_907_704, wraps=1, octets=2_941_875_000)
        found = steps(a_working(part, basis="counted"))

        (one,) = found.counts
        assert (one.difference, one.round_octets) == (-1_353_092_296, 2**32)
        assert found.bits == 23_535_000_000
        assert found.share == Fraction("0.7845")

    def test_add_what_each_frame_takes_on_the_wire(self):
        # Source: IEEE 802.3, 8 octets of preamble and 12 of gap a frame.
        (one,) = steps(a_working(a_part(0, 30, 0, 1000, frames=10))).counts

        assert (one.frame_octets, one.wire_octets) == (200, 1200)

    def test_take_of_an_interval_what_lies_in_the_window(self):
        found = steps(a_working(a_part(20, 50, 0, 3000, seconds=10), covered_seconds=10))

        (one,) = found.counts
        assert not one.is_whole
        assert one.window_octets == 1000
        assert found.speeds == ((10**9, Fraction(10)),)

    def test_weigh_speeds_by_their_seconds(self):
        parts = (a_part(0, 10, 0, 0), a_part(10, 30, 0, 10**9, speed_bps=2 * 10**9))
        found = steps(a_working(*parts))

        assert found.capacity_bits == 10 * 10**9 + 20 * 2 * 10**9
        assert found.share == Fraction(8, 50)

    def test_of_a_rate_have_no_difference(self):
        (one,) = steps(a_working(a_part(0, 30, 100, 8000, octets=30_000))).counts

        assert (one.difference, one.round_octets) == (None, 0)

    @pytest.mark.parametrize(("status", "said"), [("restart", "started anew"), ("coarse", "too long")])
    def test_leave_out_what_is_no_traffic_and_say_why(self, status, said):
        parts = (a_part(0, 10, 0, 1000), a_part(10, 30, 1000, 50, octets=None, status=status))
        found = steps(a_working(*parts))

        assert len(found.counts) == 1
        ((_, reason),) = found.left_out
        assert said in reason

    @pytest.mark.parametrize(
        ("parts", "told"),
        [
            ((), {}),
            ((a_part(0, 30, 0, 1000),), {"shared": True}),
            ((a_part(0, 30, 0, 1000, speed_bps=None),), {"speed_bps": None, "speed_source": "unknown"}),
            ((a_part(0, 30, 0, 1000),), {"basis": "none"}),
        ],
    )
    def test_come_to_no_share_where_nobody_can_know_it(self, parts, told):
        assert steps(a_working(*parts, **told)).share is None

    def test_of_a_push_come_to_what_rest_tells(self, sqlite_engine):
        told = {"device": "sm-14", "port": "m1", "team": "front", "speed_bps": 10**9, "counter_bits": 32}
        readings = ((0, 4_000_000_000), (30, 2_646_907_704))
        samples = [{**told, "time": EPOCH_MS // 1000 + at, "out_octets": octets} for at, octets in readings]
        http = asked(sqlite_engine)
        assert http.post("/v1/samples", json={"samples": samples}).json()["rejected"] == []
        answer = http.get(f"/v1/teams/1/windows/{START}/working", params={"port": "m1", "direction": "egress"}).json()

        assert float(steps(Working.model_validate(answer)).share) == answer["by_hand"] == 0.7845


class TestClock:
    def test_has_as_many_digits_as_the_instant(self):
        part = Working.model_validate(a_working(a_part(0, 30, 0, 1)).model_dump() | {"start": f"{T0}05.250Z"})

        assert (clock(part.start), clock(part.end)) == ("10:00:05.250", "10:00:30")
