"""What the odds had said of the streams before they were sent, beside what was seen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from service.numerics.odds import at_most, chances
from service.rules.trials.cells import Cells
from service.rules.trials.counting import background_bps
from service.rules.trials.outcome import Foretold, Member, Seat
from service.rules.trials.plan import Plan
from service.rules.words import line, percent

MOST_EQUAL, MOST_LINKS = 100, 64


def foretold(plan: Plan, cells: Cells, members: Sequence[Member], seats: Sequence[Seat]) -> Foretold | None:
    """Odds of one draw of the streams that run while most is offered; None where a speed is unknown."""
    if not (cells.speeds_bps > 0).all():
        return None
    items = [plan.framing.wire_bps(group.bps) for group in plan.during(*plan.fullest()) for _ in range(group.count)]
    before = np.nan_to_num(background_bps(plan, cells))
    [chance] = chances(
        items, tuple(map(float, cells.speeds_bps)), tuple(map(float, before)), plan.line, demands=(1.0,), seed=plan.seed
    )
    busiest = max((one.utilisation for one in members if one.utilisation is not None), default=None)
    most = max((seat.streams for seat in seats), default=None)
    uneven = _as_uneven(items, len(cells.ports), most)
    return Foretold(
        line=plan.line,
        success=chance.success,
        error=chance.error,
        seen_busiest=busiest,
        seen_above=None if busiest is None else busiest > plan.line,
        most_on_one=most,
        as_uneven=uneven,
        text=_text(plan.line, chance.success, busiest, (most, len(items), uneven)),
    )


def _as_uneven(items: Sequence[float], members: int, most: int | None) -> float | None:
    """The chance that one of the members gets so many of these, or more; None where they are not alike."""
    alike = len(set(items)) == 1 and len(items) <= MOST_EQUAL and members <= MOST_LINKS
    return float(1 - at_most(len(items), members, most - 1)) if alike and most else None


def _text(of_line: float, success: float, busiest: float | None, most: tuple[int | None, int, float | None]) -> str:
    said = f"one draw keeps every member below {line(of_line)} with a chance of {percent(success)}"
    seen = "" if busiest is None else f"; seen: the busiest at {percent(busiest)}"
    on_one, count, uneven = most
    if on_one is None or uneven is None:
        return said + seen
    return f"{said}{seen}, with {on_one} of {count} streams, as many or more on one in {percent(uneven)} of draws"
