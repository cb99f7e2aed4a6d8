"""Where polling as often as the settings say cannot tell what was carried."""

from __future__ import annotations

from service.feeds.snmp.plan import PollPlan
from service.rules.words import wrapping
from service.terms import Discovered

_BITS_IN_A_ROUND = 8 * 2**32
# Four fifths of a round leave room for a late poll.
SHARE_OF_A_ROUND = 0.8
_NARROW = 32


def cautions(found: Discovered, plan: PollPlan, interval_ms: int) -> tuple[str, ...]:
    """A sentence for each port whose 32-bit octet counters may go round more than once between two polls.

    Source
    ------
    RFC 2863, section 3.1.6: how fast a port fills 32 bits of octets is a matter of its speed.
    """
    speed = {port.port: port.speed_bps for port in found.ports}
    return tuple(
        f"{name.port} counts octets with 32 bits; {wrapping(speed[name.port])}"
        for name, bits in zip(plan.ports, plan.prepared.counter_bits.tolist(), strict=True)
        if bits == _NARROW and is_too_rare(interval_ms, speed.get(name.port, 0))
    )


def is_too_rare(interval_ms: int, speed_bps: int) -> bool:
    """Whether octets of 32 bits may go round more than once between polls of a port of this speed, 0 if unknown."""
    return speed_bps > 0 and interval_ms > 1000 * SHARE_OF_A_ROUND * _BITS_IN_A_ROUND / speed_bps
