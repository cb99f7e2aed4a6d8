"""A team of two members of 1 Gbit/s whose load is told stretch by stretch, as the JSON samples of a push."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from examples import EPOCH_MS, GIGABIT

POLL_S = 10
FRAME_OCTETS = 1230  # 1250 on the wire, so that 10 s at 1 % of 1 Gbit/s are 10,000 frames exactly
START_S = EPOCH_MS // 1000


def polls(*stretches: tuple[float, Sequence[float]], device: str = "sm-07") -> list[dict[str, Any]]:
    """Samples every 10 s of members m1, m2, ...: each stretch is its minutes and the members' shares of line rate."""
    members = len(stretches[0][1])
    octets, packets = [10**9] * members, [10**6] * members
    samples = [_sample(device, member, 0, octets[member], packets[member]) for member in range(members)]
    for poll, shares in enumerate(_shares(stretches), start=1):
        for member, share in enumerate(shares):
            frames = round(share * GIGABIT * POLL_S / 8 / (FRAME_OCTETS + 20))
            octets[member] += FRAME_OCTETS * frames
            packets[member] += frames
            samples.append(_sample(device, member, poll * POLL_S, octets[member], packets[member]))
    return samples


def _shares(stretches: Iterable[tuple[float, Sequence[float]]]) -> Iterable[Sequence[float]]:
    for minutes, shares in stretches:
        yield from [shares] * round(minutes * 60 / POLL_S)


def _sample(device: str, member: int, after_s: int, octets: int, packets: int) -> dict[str, Any]:
    return {
        "time": START_S + after_s,
        "received_at": START_S + after_s,
        "device": device,
        "port": f"m{member + 1}",
        "team": "front",
        "speed_bps": GIGABIT,
        "out_octets": octets,
        "out_packets": packets,
        "in_octets": 0,
        "in_packets": 0,
        "out_discards": 0,
        "uptime_ticks": 1_000_000 + 100 * after_s,
    }


def until(samples: Iterable[dict[str, Any]], after_s: int) -> list[dict[str, Any]]:
    """The samples up to so many seconds after the start."""
    return [sample for sample in samples if sample["time"] <= START_S + after_s]
