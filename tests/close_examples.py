"""A team of two members of 1 Gbit/s under a close look: lines that part, and come together after a change."""

from __future__ import annotations

from examples import EPOCH_MS

FRAME_OCTETS = 1230  # 1250 on the wire
GIGABIT = 10**9


def told(*stretches, every_s=5, after_s=0, before=(), discards=0):
    """Samples every so many seconds: each stretch is its seconds and the members' shares of line rate.

    `discards` frames a poll are dropped by m1 in every stretch after the first. `before` are samples to count on from.
    """
    octets, packets, dropped = _set_out(before)
    samples = [] if before else [_at(member, after_s, octets, packets, dropped) for member in (0, 1)]
    at_s = after_s
    for number, (seconds, shares) in enumerate(stretches):
        for _ in range(seconds // every_s):
            at_s += every_s
            dropped[0] += discards if number else 0
            for member, share in enumerate(shares):
                frames = round(share * GIGABIT * every_s / 8 / (FRAME_OCTETS + 20))
                octets[member] += FRAME_OCTETS * frames
                packets[member] += frames
                samples.append(_at(member, at_s, octets, packets, dropped))
    return samples


def _set_out(before):
    if not before:
        return [10**9] * 2, [10**6] * 2, [0, 0]
    last = before[-2:]
    return (
        [one["out_octets"] for one in last],
        [one["out_packets"] for one in last],
        [one["out_discards"] for one in last],
    )


def _at(member, at_s, octets, packets, dropped):
    return {
        "time": EPOCH_MS // 1000 + at_s,
        "device": "sm-07",
        "port": f"m{member + 1}",
        "team": "front",
        "speed_bps": GIGABIT,
        "out_octets": octets[member],
        "out_packets": packets[member],
        "in_octets": 0,
        "in_packets": 0,
        "out_discards": dropped[member],
        "uptime_ticks": 1_000_000 + 100 * at_s,
    }


def seconds_after(seconds):
    """An instant in milliseconds."""
    return EPOCH_MS + 1000 * seconds
