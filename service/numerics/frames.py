"""Arithmetic of Ethernet frames: what of a link's speed is left for what people copy over it.

A frame takes its octets with the frame check sequence, and 20 more on the wire: 8 of preamble and start delimiter
and 12 of gap (IEEE 802.3, as RFC 5180 appendix A.1 counts them).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from service.errors import WrongQuestion

AROUND = 20  # octets on the wire that no counter counts
HEADER = 18  # two addresses, a type and the frame check sequence
TAG = 4
LEAST_FRAME = 64
IP_HEADER = {4: 20, 6: 40}  # RFC 791 and RFC 8200, without options
TCP_HEADER, TIMESTAMPS = 20, 12  # RFC 9293; RFC 7323 with its padding
MOST_MTU = 65_535


@dataclass(frozen=True)
class Transfer:
    """How full-sized segments of one TCP transfer are framed."""

    mtu: int = 1500
    timestamps: bool = True
    tagged: bool = False
    ip: int = 4

    def __post_init__(self) -> None:
        if self.ip not in IP_HEADER:
            raise WrongQuestion("ip", "is 4 or 6")
        if not self.payload_octets < self.mtu <= MOST_MTU or self.payload_octets < 1:
            raise WrongQuestion("mtu", f"leaves no room for a payload, or is above {MOST_MTU}")

    @property
    def payload_octets(self) -> int:
        """What of a packet is the user's."""
        return self.mtu - IP_HEADER[self.ip] - TCP_HEADER - (TIMESTAMPS if self.timestamps else 0)

    @property
    def frame_octets(self) -> int:
        """What a standard counter counts of a frame."""
        return max(LEAST_FRAME, self.mtu + HEADER + (TAG if self.tagged else 0))

    @property
    def wire_octets(self) -> int:
        """What a frame takes of the line."""
        return self.frame_octets + AROUND

    @property
    def efficiency(self) -> Fraction:
        """The share of the line that the user's octets take where it is full.

        Examples
        --------
        >>> round(float(Transfer().efficiency), 6), round(float(Transfer(9000).efficiency), 6)
        (0.941482, 0.990042)
        """
        return Fraction(self.payload_octets, self.wire_octets)


def payload_bps(speed_bps: int, transfer: Transfer) -> float:
    """The most that one or many transfers so framed can carry of what people copy, bit/s.

    Examples
    --------
    >>> round(payload_bps(1_000_000_000, Transfer()) / 1e6, 1)
    941.5
    """
    return float(speed_bps * transfer.efficiency)


def frames_per_s(speed_bps: int, frame_octets: int) -> float:
    """How many frames of this size, check sequence included, fill the line each second.

    Source
    ------
    RFC 5180 appendix A.1: rate / (8 (X + 20)); it prints the whole part.

    Examples
    --------
    >>> int(frames_per_s(1_000_000_000, 1518))
    81274
    """
    return float(Fraction(speed_bps, 8 * (_frame(frame_octets) + AROUND)))


def counted_ceiling(frame_octets: int) -> Fraction:
    """What counted octets show of a line that is full of frames of this size: X/(X + 20).

    Examples
    --------
    >>> round(float(counted_ceiling(64)), 6), round(float(counted_ceiling(1518)), 6)
    (0.761905, 0.986996)
    """
    return Fraction(_frame(frame_octets), frame_octets + AROUND)


def _frame(octets: int) -> int:
    if not LEAST_FRAME <= octets <= MOST_MTU + HEADER + TAG:
        raise WrongQuestion("frame", f"a frame has at least {LEAST_FRAME} octets, its check sequence included")
    return octets
