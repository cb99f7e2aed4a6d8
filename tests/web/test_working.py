from datetime import datetime
from fractions import Fraction

import pytest
from web_examples import asked

from service.evaluation import Policy
from service.terms import Rule

PLACE = "/v1/teams/1/windows/2026-11-25T10:01:00Z/working"
M1 = {"port": "m1", "direction": "egress"}


def by_hand(told):
    """The utilisation in fractions, from nothing but the answer.

    Source of the arithmetic: RFC 2863, ifOutOctets differences; IEEE 802.3, 20 octets of preamble and gap a frame.
    """
    bits = Fraction(0)
    for part in told["parts"]:
        lasted = datetime.fromisoformat(part["end"]) - datetime.fromisoformat(part["start"])
        octets = part["reading_after"] - part["reading_before"] + 20 * part["frames"]
        bits += 8 * octets * Fraction(part["seconds"]) / Fraction(lasted.total_seconds())
    return float(bits / (told["speed_bps"] * Fraction(told["covered_seconds"])))


class TestWorking:
    def test_gives_the_same_by_hand_to_a_hundredth_of_a_point(self, played):
        told = played.get(PLACE, params=M1).json()

        assert by_hand(told) == pytest.approx(told["utilisation"], abs=1e-4)
        assert told["by_hand"] == pytest.approx(told["utilisation"], abs=1e-4)
        assert told["decided"] == pytest.approx(told["utilisation"], abs=1e-9)
        assert told["utilisation"] == pytest.approx(0.92, abs=1e-5)

    def test_shows_readings_seconds_speed_and_bounds(self, played):
        told = played.get(PLACE, params=M1).json()

        assert (told["start"], told["end"]) == ("2026-11-25T10:01:00Z", "2026-11-25T10:01:30Z")
        assert sum(part["seconds"] for part in told["parts"]) == 30 == told["covered_seconds"]
        assert {part["status"] for part in told["parts"]} == {"ok"}
        assert {part["wraps"] for part in told["parts"]} == {0}
        assert all(part["octets"] == part["reading_after"] - part["reading_before"] for part in told["parts"])
        assert (told["speed_bps"], told["basis"], told["added_octets_per_frame"]) == (10**9, "wire", 20)
        assert told["lower"] <= told["utilisation"] + 1e-6
        assert told["utilisation"] <= told["upper"] + 1e-6

    def test_names_the_operator_as_the_source_of_a_speed(self, played_engine):
        policy = Policy(lambda _device, _team: Rule(), speed_of=lambda _device, port: 2 * 10**9 * (port == "m1"))
        http = asked(played_engine, policy=policy)

        told = {port: http.get(PLACE, params=M1 | {"port": port}).json() for port in ("m1", "m2")}

        assert [told[port]["speed_source"] for port in told] == ["set by the operator", "told with the samples"]
        assert (told["m1"]["speed_bps"], told["m2"]["speed_bps"]) == (2 * 10**9, 10**9)
        # Decided at 92 % of the 1 Gbit/s that was claimed; of 2 Gbit/s it is half as much.
        assert told["m1"]["utilisation"] == pytest.approx(0.46, abs=1e-5) == by_hand(told["m1"])
        assert told["m1"]["decided"] == pytest.approx(0.92, abs=1e-5)

    def test_of_a_window_without_samples_is_unknown(self, played):
        told = played.get(PLACE.replace("10:01:00Z", "14:01:00Z"), params=M1).json()

        assert (told["parts"], told["utilisation"], told["decided"], told["covered_seconds"]) == ([], None, None, 0)
        assert told["why_not"] == "no data"

    @pytest.mark.parametrize(
        ("place", "query", "status", "named"),
        [
            (PLACE, {"port": "m9", "direction": "egress"}, 404, "m9"),
            (PLACE.replace("teams/1", "teams/9"), M1, 404, "team"),
            (PLACE.replace("10:01:00Z", "10:01:01Z"), M1, 404, "10:01:01"),
            (PLACE.replace("2026-11-25T10:01:00Z", "now"), M1, 400, "start"),
            (PLACE.replace("2026-11-25T10:01:00Z", "9999-12-31T23:59:30Z"), M1, 400, "start"),
            (PLACE.replace("2026-11-25T10:01:00Z", "0001-01-01T00:00:00+23:59"), M1, 400, "start"),
            (PLACE, {"port": "m1"}, 400, "direction"),
            (PLACE, {"direction": "egress"}, 400, "port"),
            (PLACE, {**M1, "direction": "both"}, 400, "direction"),
        ],
    )
    def test_refuses_what_there_is_not(self, played, place, query, status, named):
        answer = played.get(place, params=query)

        assert answer.status_code == status
        assert named in answer.json()["detail"]
