"""How a plan's traffic is framed, and so what counters and the line see of a rate that somebody states."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from service.errors import WrongQuestion
from service.numerics.frames import AROUND, HEADER, IP_HEADER, LEAST_FRAME, TAG, Transfer
from service.terms import Counts

UDP_HEADER = 8  # RFC 768
CHECK_SEQUENCE = 4
# What a counter leaves out of a frame (RFC 3635 counts all of it).
LEFT_OUT = {int(Counts.FRAME): 0, int(Counts.NO_FCS): CHECK_SEQUENCE, int(Counts.PAYLOAD): HEADER}
MOST_DATAGRAM = 65_535 - UDP_HEADER


@dataclass(frozen=True)
class Framing:
    """Octets of a frame with its check sequence, and how many of them the stated rate counts: payload, or all."""

    frame_octets: int
    stated_octets: int

    def counted_bps(self, stated_bps: float, counts: int = Counts.FRAME) -> float:
        """What counters of a kind show of a stated rate.

        Examples
        --------
        >>> round(of_tcp(Transfer(1500)).counted_bps(110e6) / 1e6, 2)
        115.32
        """
        return float(Fraction(self.frame_octets - LEFT_OUT[int(counts)], self.stated_octets) * Fraction(stated_bps))

    def wire_bps(self, stated_bps: float) -> float:
        """What a stated rate takes of the line, preamble and gap included."""
        return float(Fraction(self.frame_octets + AROUND, self.stated_octets) * Fraction(stated_bps))


def of_tcp(transfer: Transfer, *, by_frames: bool = False) -> Framing:
    """Full-sized segments of TCP; answers go the other way and are not reckoned."""
    return _framing(transfer.frame_octets, transfer.payload_octets, by_frames)


def of_udp(payload_octets: int, *, ip: int = 4, tagged: bool = False, by_frames: bool = False) -> Framing:
    """Datagrams of one size that are not fragmented.

    Examples
    --------
    >>> of_udp(1400).frame_octets
    1446
    """
    if ip not in IP_HEADER:
        raise WrongQuestion("ip", "is 4 or 6")
    if not 1 <= payload_octets <= MOST_DATAGRAM - IP_HEADER[ip]:
        raise WrongQuestion("udp", f"a datagram carries 1 to {MOST_DATAGRAM - IP_HEADER[ip]} octets")
    whole = payload_octets + UDP_HEADER + IP_HEADER[ip] + HEADER + (TAG if tagged else 0)
    return _framing(max(LEAST_FRAME, whole), payload_octets, by_frames)


def _framing(frame: int, payload: int, by_frames: bool) -> Framing:
    return Framing(frame, frame if by_frames else payload)
