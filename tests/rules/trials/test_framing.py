import pytest

from service.errors import WrongQuestion
from service.numerics.frames import Transfer
from service.rules.trials.framing import of_tcp, of_udp
from service.terms import Counts


class TestFraming:
    """Headers: Ethernet 14 and check sequence 4 (IEEE 802.3), IPv4 20 (RFC 791), IPv6 40 (RFC 8200), UDP 8 (768)."""

    def test_reckons_the_overhead_of_tcp(self):
        assert of_tcp(Transfer(1500)).counted_bps(1448e6) == pytest.approx(1518e6)
        assert of_tcp(Transfer(1500)).wire_bps(1448e6) == pytest.approx(1538e6)

    @pytest.mark.parametrize(("kind", "octets"), [(Counts.FRAME, 1518), (Counts.NO_FCS, 1514), (Counts.PAYLOAD, 1500)])
    def test_reckons_what_each_kind_of_counter_includes(self, kind, octets):
        """RFC 3635 section 3.2.5: header and check sequence count; other counters leave out some of them."""
        assert of_tcp(Transfer(1500)).counted_bps(1448.0, kind) == pytest.approx(octets)

    def test_takes_rates_of_frames_as_they_are(self):
        assert of_tcp(Transfer(1500), by_frames=True).counted_bps(115.3e6) == pytest.approx(115.3e6)

    @pytest.mark.parametrize(
        ("payload", "ip", "tagged", "frame"),
        [(1400, 4, False, 1446), (1400, 6, False, 1466), (1400, 4, True, 1450), (1, 4, False, 64), (18, 4, False, 64)],
    )
    def test_frames_datagrams(self, payload, ip, tagged, frame):
        assert of_udp(payload, ip=ip, tagged=tagged).frame_octets == frame

    @pytest.mark.parametrize(("payload", "ip"), [(0, 4), (65_508, 4), (65_488, 6), (100, 5)])
    def test_refuses_datagrams_that_are_none(self, payload, ip):
        with pytest.raises(WrongQuestion):
            of_udp(payload, ip=ip)
