"""What is planted in the demo's day: a list of plots, each a team with stretches of traffic of its own.

All rates are on the wire: they include the 20 octets of preamble, start delimiter and gap that
each frame adds and no octet counter counts (IEEE 802.3), so that 920 Mbit/s on 1 Gbit/s is 92 %.
The date is arbitrary: a Tuesday and the small hours of a Wednesday.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from service.terms import EGRESS, INGRESS

MEGABIT = 1_000_000
MINUTE_MS = 60_000
TUESDAY_MS = int(datetime(2026, 6, 2, tzinfo=UTC).timestamp() * 1000)
WEDNESDAY_MS = TUESDAY_MS + 24 * 60 * MINUTE_MS


def tuesday(hour: int, minute: int = 0) -> int:
    """An instant of the first day, UTC, in milliseconds."""
    return TUESDAY_MS + (hour * 60 + minute) * MINUTE_MS


def wednesday(hour: int, minute: int = 0) -> int:
    """An instant of the second day, UTC, in milliseconds."""
    return WEDNESDAY_MS + (hour * 60 + minute) * MINUTE_MS


START_MS = tuesday(0, 31)
END_MS = wednesday(2, 31)
CHANGED_MS = tuesday(22, 10)
UNANSWERED_MS = wednesday(1, 56)


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
    first, second, end = wednesday(2, 2), wednesday(2, 14), END_MS
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
    start, end = tuesday(13), tuesday(15)
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
    start = tuesday(11, 40)
    # 800,000 frames of 1230 octets in 10 s, and 20 octets each: 10^9 octets on the wire.
    minute = [
        Stretch(member, EGRESS, 800 * MEGABIT, start, start + MINUTE_MS, wander=0, frame_octets=1230)
        for member in (0, 1)
    ]
    return Plot("32-bit counters that wrap", "sm-14", "front", tuple(minute))


def _changed() -> Plot:
    """sm-03 runs 97 to 3 until somebody re-deals its items at 22:10 of the first day, and 55 to 45 from then on."""
    before, after = (880 * MEGABIT, 0.97), (900 * MEGABIT, 0.55)
    stretches = []
    for (total, share), start, end in ((before, START_MS, CHANGED_MS), (after, CHANGED_MS, END_MS)):
        for member, part in ((0, share), (1, 1 - share)):
            out = round(total * part)
            # Wide enough that no stretch is as flat as a slower link that is full.
            stretches.append(Stretch(member, EGRESS, out, start, end, wander=0.02, frame_octets=1100))
            stretches.append(Stretch(member, INGRESS, out // 30, start, end, wander=0.02, frame_octets=120))
    return Plot("a change that evened a team out", "sm-03", "front", tuple(stretches))


def _one_conversation() -> Plot:
    """archive-pull, a single conversation, fills one member of uw-02's store from one window to the next."""
    calm, start, end = wednesday(1, 21), wednesday(1, 51), END_MS
    full, answers = 9_870 * MEGABIT, 276 * MEGABIT  # one acknowledgement of 66 octets for every second frame of 1500
    return Plot(
        "one conversation that fills a member",
        "uw-02",
        "store",
        (
            Stretch(0, EGRESS, 200 * MEGABIT, calm, start, wander=0.03),
            Stretch(1, EGRESS, 200 * MEGABIT, calm, end, wander=0.03),
            Stretch(0, EGRESS, full, start, end, wander=0.0004, frame_octets=1500, discards=2e-6),
            Stretch(0, INGRESS, 30 * MEGABIT, calm, start, wander=0.03, frame_octets=120),
            Stretch(1, INGRESS, 30 * MEGABIT, calm, end, wander=0.03, frame_octets=120),
            Stretch(0, INGRESS, answers, start, end, wander=0.001, frame_octets=66),
        ),
    )


def _unanswered() -> Plot:
    """Three machines sit on member 2 of sm-11's front, whose far port lost its VLAN: nobody answers them."""
    start = UNANSWERED_MS
    return Plot(
        "a member on which nothing is answered",
        "sm-11",
        "front",
        (
            Stretch(1, EGRESS, 11_200, start, END_MS, wander=0, frame_octets=120, multicast=0, broadcast=0.96),
            Stretch(1, INGRESS, 2_240, start, END_MS, wander=0, frame_octets=120, multicast=1, broadcast=0),
        ),
    )


def _fleet() -> tuple[Plot, ...]:
    """The switch of Upper Wend sends nearly all of it to the first member of every front, from 18:00 to 20:00."""
    start, end = tuesday(18), tuesday(20)
    return tuple(
        Plot(
            "the same position hot in a fleet",
            f"uw-{number:02d}",
            "front",
            (
                Stretch(0, INGRESS, (780 + 14 * (number - 1)) * MEGABIT, start, end, wander=0.003),
                Stretch(1, INGRESS, (10 + 4 * (number - 1)) * MEGABIT, start, end, wander=0.02),
            ),
        )
        for number in range(1, 9)
    )


PLOTS = (
    _collision(),
    _changed(),
    _one_conversation(),
    _unanswered(),
    *_fleet(),
    _full(),
    _lab(),
    _standby(),
    _wraps(),
)
