"""Heavy traffic through an invented team, as counters of its members: whoever reads them must find what was sent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from examples import EPOCH_MS, GIGABIT

DEVICE, TEAM = "lab-07", "pair"
FRAME_OCTETS, PAYLOAD_OCTETS = 1518, 1448  # TCP with timestamps in an MTU of 1500 (RFC 7323, IEEE 802.3)
STREAM_BPS = 110_000_000
TICKS_A_MS = 10


@dataclass(frozen=True)
class Course:
    """How many streams each member carries from which second of the check on, the check beginning at second 0."""

    stretches: Sequence[tuple[float, Sequence[float]]]
    before_s: int = 180
    until_s: int = 720
    poll_s: int = 10
    first_poll_s: int = 3  # polls come so long after whole tens
    stream_bps: float = STREAM_BPS
    background_bps: float = 2_000_000.0
    discards: tuple[float, int] | None = None  # from which second on the first member has lost so many frames
    packets: bool = True

    def samples(self) -> list[dict[str, Any]]:
        """The samples of a push."""
        members = len(self.stretches[0][1])
        polls = range(self.first_poll_s - self.before_s, self.until_s + 1, self.poll_s)
        return [self._sample(member, at_s) for at_s in polls for member in range(members)]

    def csv(self) -> str:
        """The same as a counter file."""
        rows = self.samples()
        return "\n".join([",".join(rows[0]), *(",".join(map(str, row.values())) for row in rows)]) + "\n"

    def _sample(self, member: int, at_s: int) -> dict[str, Any]:
        octets = self._octets(member, at_s)
        lost = self.discards[1] if self.discards and member == 0 and at_s >= self.discards[0] else 0
        return {
            "time": EPOCH_MS // 1000 + at_s,
            "device": DEVICE,
            "port": f"m{member + 1}",
            "team": TEAM,
            "speed_bps": GIGABIT,
            "in_octets": 0,
            "out_octets": octets,
            **({"in_packets": 0, "out_packets": octets // FRAME_OCTETS} if self.packets else {}),
            "out_discards": lost,
            "uptime_ticks": 10**6 + 100 * (at_s + self.before_s),
        }

    def _octets(self, member: int, at_s: float) -> int:
        """Of frames, since the first poll: each octet of payload takes 1518/1448."""
        ends = [begin for begin, _ in self.stretches[1:]] + [float("inf")]
        streams_s = sum(
            counts[member] * max(0.0, min(end, at_s) - begin)
            for (begin, counts), end in zip(self.stretches, ends, strict=True)
        )
        framed = streams_s * self.stream_bps / 8 * FRAME_OCTETS / PAYLOAD_OCTETS
        return round(framed + self.background_bps / 8 * (at_s + self.before_s))


# The acceptance case: eight streams of 110 Mbit/s on two members of 1 Gbit/s for ten minutes; the method is changed
# at second 303, one stream goes over, and for one second nothing gets through.
EIGHT = Course(((0, (5, 3)), (303, (0, 0)), (304, (4, 4)), (600, (0, 0))), discards=(303, 75_968))
CHANGED_MS = EPOCH_MS + 303_000

# The same check as it is asked for over HTTP.
PLAN = {
    "device": DEVICE,
    "team": TEAM,
    "from": "2026-11-25T10:00:00Z",
    "seconds": 600,
    "streams": [{"count": 8, "bps": 110_000_000}],
}
