"""Kept windows of a team of two around a change on a Thursday at 22:10, for tests of what came of it."""

from __future__ import annotations

import numpy as np
from examples import GIGABIT

from service.evaluation import Policy
from service.storage import figures, inventory, windows
from service.terms import Basis, MemberWindows, PortName, Rule, Span, WhyNot

MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
CHANGED_MS = 1_795_731_000_000  # Thursday, 2026-11-26T22:10:00Z
AFTER_MS = CHANGED_MS + 5 * MINUTE_MS  # 22:15
SIX_MS = CHANGED_MS + 7 * HOUR_MS + 50 * MINUTE_MS  # 06:00 on Friday
NIGHT_MS = SIX_MS - AFTER_MS  # 930 windows
POLICY = Policy(lambda _device, _team: Rule())
NOISE = 0.01


def known(engine, *devices):
    """A team `front` of m1 and m2 on each device."""
    names = [PortName(device, f"m{m}", "front") for device in devices or ("sm-03",) for m in (1, 2)]
    with engine.begin() as connection:
        inventory.resolve(connection, names, feed="push", now_ms=CHANGED_MS - 14 * DAY_MS)


def keep(engine, start_ms, end_ms, shares, *, device="sm-03", discards=0.0, seed=1):
    """Windows over [start_ms, end_ms) in which the members carry these shares of line rate, a little noise on each.

    They count as decided.
    """
    span = Span(start_ms, (end_ms - start_ms) // 30_000)
    draw = np.random.default_rng([seed, start_ms % 2**31])
    arrays = figures.WINDOW.blanks(2, span.count)
    load = np.array(shares)[:, np.newaxis, np.newaxis] + draw.normal(0, NOISE, (2, span.count, 2))
    arrays["utilisation"] = np.clip(load, 0.0, 1.0)
    arrays["lower"] = arrays["upper"] = arrays["utilisation"].astype(np.float32)
    arrays["coverage"][:] = 1
    arrays["basis"][:] = Basis.WIRE
    arrays["why_not"][:] = WhyNot.ELIGIBLE
    arrays["speed_bps"][:] = GIGABIT
    arrays["packets"][:] = 1000
    arrays["discard_ratio"][:] = discards
    with engine.begin() as connection:
        team_id = inventory.team_named(connection, device, "front")
        placed = inventory.layout(connection, [team_id])
        kinds = np.zeros((1, span.count, 2), dtype=np.uint8)
        windows.write(connection, placed, MemberWindows(span=span, **arrays), kinds)
        inventory.note_decided(connection, [team_id], end_ms)


def keep_nights(engine, shares=(0.86, 0.02), **more):
    """The nights before the change from Monday's to Wednesday's, 22:15 to 06:00."""
    for night in (3, 2, 1):
        keep(engine, AFTER_MS - night * DAY_MS, SIX_MS - night * DAY_MS, shares, **more)
