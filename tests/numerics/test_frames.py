import pytest

from service.errors import WrongQuestion
from service.numerics.frames import Transfer, counted_ceiling, frames_per_s, payload_bps

G = 1_000_000_000


class TestPayload:
    # Worked by hand: a packet less 20 of IP, 20 of TCP and 12 of timestamps, over the packet and 38 octets of header,
    # check sequence, preamble and gap; a tag takes 4 more on the wire, an IP version 6 header 20 more of the packet.
    @pytest.mark.parametrize(
        ("transfer", "mbps"),
        [
            (Transfer(1500, timestamps=False), 949.3),
            (Transfer(1500), 941.5),
            (Transfer(1500, tagged=True), 939.0),
            (Transfer(9000, timestamps=False), 991.4),
            (Transfer(9000), 990.0),
            (Transfer(1500, timestamps=False, ip=6), 936.3),
            (Transfer(9000, timestamps=False, ip=6), 989.2),
        ],
    )
    def test_is_what_the_headers_leave(self, transfer, mbps):
        assert payload_bps(G, transfer) / 1e6 == pytest.approx(mbps, abs=0.05)

    @pytest.mark.parametrize("told", [{"mtu": 52}, {"mtu": 65_536}, {"ip": 5}])
    def test_refuses_what_leaves_no_room(self, told):
        with pytest.raises(WrongQuestion):
            Transfer(**told)

    def test_of_one_octet_fills_the_smallest_frame(self):
        assert Transfer(53).payload_octets == 1
        assert Transfer(41, timestamps=False).frame_octets == 64


class TestFramesPerSecond:
    # RFC 2544 appendix B at 10 Mbit/s and RFC 5180 appendix A.1 at 1 Gbit/s print the whole part.
    @pytest.mark.parametrize(
        ("speed", "frame", "rate"),
        [(10**7, 64, 14_880), (10**7, 1518, 812), (G, 64, 1_488_095), (G, 1518, 81_274), (G, 8192, 15_221)],
    )
    def test_are_as_printed(self, speed, frame, rate):
        assert int(frames_per_s(speed, frame)) == rate


class TestCountedCeiling:
    # X/(X + 20), from the frame rates of RFC 5180 and the octets that RFC 3635 counts.
    @pytest.mark.parametrize(
        ("frame", "ceiling"), [(64, 0.761905), (128, 0.864865), (256, 0.927536), (1518, 0.986996), (9018, 0.997787)]
    )
    def test_leaves_out_preamble_and_gap(self, frame, ceiling):
        assert float(counted_ceiling(frame)) == pytest.approx(ceiling, abs=1e-6)

    def test_refuses_a_frame_that_is_none(self):
        with pytest.raises(WrongQuestion, match="64"):
            counted_ceiling(63)
