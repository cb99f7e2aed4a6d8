"""What is planted in the demo's day: a list of plots, each a team with stretches of traffic of its own.

All rates are on the wire: they include the 20 octets of preamble, start delimiter and gap that
each frame adds and no octet counter counts (IEEE 802.3), so that 920 Mbit/s on 1 Gbit/s is 92 %.
The date is arbitrary: a Monday and the small hours of a Tuesday.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from service.terms import EGRESS, INGRESS

MEGABIT = 1_000_000
MINUTE_MS = 60_000
MONDAY_MS = int(datetime(2026, 6, 1, tzinfo=UTC).timestamp() * 1000)
TUESDAY_MS = MONDAY_MS + 24 * 60 * MINUTE_MS


def monday(hour: int, minute: int = 0) -> int:
    """An instant of the first day, UTC, in milliseconds."""
    return MONDAY_MS + (hour * 60 + minute) * MINUTE_MS


def tuesday(hour: int, minute: int = 0) -> int:
    """An instant of the second day, UTC, in milliseconds."""
    return TUESDAY_MS + (hour * 60 + minute) * MINUTE_MS


START_MS = monday(0, 31)
END_MS = tuesday(2, 31)


@dataclass(frozen=True)
class Stretch:
    """Traffic of one member in one direction over a stretch of time, in place of the background.

    `wander` is the standard deviation of a sample around `wire_bps`, as a share of it; 0 is
    exact. Shares are of the frames of the direction.
    """

    member: int
    direction: int
    wire_bps: int
    start_ms: int = START_MS
    end_ms: int = END_MS
    wander: float = 0.004
    frame_octets: int = 1200
    multicast: float = 0.0001
    broadcast: float = 0.0002
    discards: float = 0.0


@dataclass(frozen=True)
class Plot:
    """Something planted at one team: what it shows, and its traffic."""

    shows: str
    device: str
    team: str
    stretches: tuple[Stretch, ...]
    standby: tuple[int, ...] = ()  # members that are declared standby


NIGHT_COPY, SCAN_INDEX, LEDGER_WEB, MAIL_RELAY = (rate * MEGABIT for rate in (430, 390, 60, 40))


def _collision() -> Plot:
    """Two heavy machines meet on member 1 of sm-07: one from 02:02, the other from 02:14."""
    small = LEDGER_WEB + MAIL_RELAY
    first, second, end = tuesday(2, 2), tuesday(2, 14), END_MS
    return Plot(
        "two heavy machines on one member of two",
        "sm-07",
        "front",
        (
            Stretch(0, EGRESS, small + NIGHT_COPY, first, second, frame_octets=1400),
            Stretch(0, EGRESS, small + NIGHT_COPY + SCAN_INDEX, second, end, frame_octets=1400),
            Stretch(1, EGRESS, 20 * MEGABIT, first, end, frame_octets=900),
            # Acknowledgements: one of 70 octets for every second frame that went out.
            Stretch(0, INGRESS, 17 * MEGABIT, first, second, frame_octets=70),
            Stretch(0, INGRESS, 29 * MEGABIT, second, end, frame_octets=70),
            Stretch(1, INGRESS, 4 * MEGABIT, first, end, frame_octets=300),
        ),
    )


def _full() -> Plot:
    """Both members of sm-12's store are busy from 13:00 to 15:00: there is nothing to even out."""
    start, end = monday(13), monday(15)
    return Plot(
        "a team that is full",
        "sm-12",
        "store",
        (
            Stretch(0, EGRESS, 7_900 * MEGABIT, start, end, frame_octets=1300),
            Stretch(1, EGRESS, 7_700 * MEGABIT, start, end, frame_octets=1300),
            Stretch(0, INGRESS, 310 * MEGABIT, start, end, frame_octets=90),
            Stretch(1, INGRESS, 300 * MEGABIT, start, end, frame_octets=90),
        ),
    )


def _lab() -> Plot:
    """A lab team that carries next to nothing, all of it on one member: a share of 100/0 of no interest."""
    quiet = [Stretch(1, direction, 0, wander=0) for direction in (EGRESS, INGRESS)]
    return Plot(
        "a lab team at 3 kbit/s and 0",
        "sm-16",
        "front",
        (
            Stretch(0, EGRESS, 3_000, wander=0.2, frame_octets=90, multicast=0.05, broadcast=0.1),
            Stretch(0, INGRESS, 3_000, wander=0.2, frame_octets=90, multicast=0.05, broadcast=0.1),
            *quiet,
        ),
    )


def _standby() -> Plot:
    """Active and standby by design: the second member's 0.02 % is not room that somebody forgot."""
    chatter = [Stretch(1, way, 200_000, wander=0.1, frame_octets=120) for way in (EGRESS, INGRESS)]
    return Plot(
        "active and standby by design",
        "sm-09",
        "front",
        (
            Stretch(0, EGRESS, 610 * MEGABIT, wander=0.01),
            Stretch(0, INGRESS, 240 * MEGABIT, wander=0.01, frame_octets=1000),
            *chatter,
        ),
        standby=(1,),
    )


def _wraps() -> Plot:
    """One minute at exactly 80 % on 32-bit counters that wrap in it: two windows, too short to be raised."""
    start = monday(11, 40)
    # 800,000 frames of 1230 octets in 10 s, and 20 octets each: 10^9 octets on the wire.
    minute = [
        Stretch(member, EGRESS, 800 * MEGABIT, start, start + MINUTE_MS, wander=0, frame_octets=1230)
        for member in (0, 1)
    ]
    return Plot("32-bit counters that wrap", "sm-14", "front", tuple(minute))


PLOTS = (_collision(), _full(), _lab(), _standby(), _wraps())
