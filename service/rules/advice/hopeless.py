"""When no method can help, and what would: the answer that saves the most work."""

from __future__ import annotations

import math

from service.rules import words
from service.rules.advice.dealt import Dealt
from service.rules.advice.ground import Ground

# Speeds of Ethernet in the trade, bit/s (IEEE 802.3).
STANDARD_BPS = tuple(int(giga * 1e9) for giga in (1, 2.5, 5, 10, 25, 40, 50, 100, 200, 400, 800))


def why_not(ground: Ground, what: Dealt) -> str:
    """Why whole items cannot be dealt below the line, whatever the draw; empty where they may."""
    loads = ground.loads
    largest = max(loads.capacity_bps, default=0.0)
    if what.largest > loads.line * largest:
        told = f"one item alone carries {words.rate(what.largest)}"
        return f"{told}, more than {words.line(loads.line)} of a member"
    if (loads.even_split or 0.0) > loads.line:
        return f"evenly split all would be at {words.percent(loads.even_split or 0.0)}"
    return ""


def fast_enough(ground: Ground, bps: float) -> str:
    """The slowest standard speed at which so much stays below the line."""
    enough = next((speed for speed in STANDARD_BPS if bps <= ground.loads.line * speed), None)
    return words.rate(enough) if enough else f"more than {words.rate(STANDARD_BPS[-1])}"


def members_needed(ground: Ground) -> int:
    """How many members of the fastest present speed carry all of it below the clear line, evenly split."""
    loads = ground.loads
    return math.ceil(loads.total_bps / (loads.clear * max(loads.capacity_bps)))
