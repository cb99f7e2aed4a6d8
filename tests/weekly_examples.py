"""A week at the Brackenhythe Freight Exchange: days of a few teams, worked by hand, and the teams' names."""

import math

from service.rules.weekly.week import DAY_MS, Named, report
from service.terms import TeamDay

TO_MS = 1_764_547_200_000  # 2025-12-01T00:00:00Z
HOUR_S = 3600


def a_day(team_id=1, back=1, direction=0, **told):
    """The day that began so many days before the week's end; seen whole, and calm, unless told otherwise."""
    day_ms = TO_MS - back * DAY_MS
    whole = {
        "stranded_bit_seconds": 0.0,
        "stranded_seconds": 0.0,
        "seen_seconds": 86_400.0,
        "busy_bps": 1e9,
        "busy_ms": day_ms + 9 * 3_600_000,
        "speeds_bps": (10e9, 10e9),
        "even_p95": 0.05,
    }
    return TeamDay(team_id, day_ms, direction, **{**whole, **told})


def stranded(bps, hours):
    """What lies stranded at a rate for some hours."""
    return {"stranded_bit_seconds": bps * hours * HOUR_S, "stranded_seconds": hours * HOUR_S}


def named(**told):
    """Teams 1 to 4, two members each, and the 24 hosts whose methods are counted."""
    teams = dict.fromkeys(range(1, 22), ("virtual-port", "none"))
    teams |= {22: ("layer4-tuple", "lacp"), 23: ("layer4-tuple", "lacp"), 24: ("layer4-tuple", "none")}
    hot = {"hot_above": 0.70, **told}
    return {number: Named(f"sm-{number:02}", "front", *how, **hot) for number, how in teams.items()}


def days():
    """Team 1 strands 5.71 G for 6 h over two days, 2 strands 0.6 G for 40 h, 3 idles, 4 carries 12 of 20 Gbit/s."""
    return [
        a_day(1, 1, **stranded(5.71e9, 2)),
        a_day(1, 2, **stranded(5.71e9, 4)),
        *(a_day(2, back, **stranded(0.6e9, 8)) for back in range(1, 6)),
        a_day(3, 1, busy_bps=1e6, even_p95=0.0001),
        a_day(4, 1, busy_bps=12e9, even_p95=0.47),
        a_day(5, 1, seen_seconds=0.0, busy_bps=math.nan, speeds_bps=(), even_p95=math.nan),
    ]


def before():
    """The even split of team 4 in the five weeks before: 40, 41, 43, 44, 46 %."""
    return [a_day(4, 7 * (5 - n) + 1, even_p95=share) for n, share in enumerate((0.40, 0.41, 0.43, 0.44, 0.46))]


def a_week(**told):
    """The week of all of them."""
    whole = {"to_ms": TO_MS, "days": days(), "before": before(), "named": named()}
    return report(**{**whole, **told})
