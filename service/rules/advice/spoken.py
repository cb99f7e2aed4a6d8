"""Odds as people read them."""

from __future__ import annotations

from collections.abc import Sequence

from service.rules import words
from service.terms import Chance


def chance(share: float) -> str:
    """A chance, never rounded up to certainty or down to none, as in "50 %", "98.5 %" or "below 0.1 %"."""
    if share in {0.0, 1.0}:
        return f"{share:.0%}".replace("%", " %")
    if share < 0.001 or share > 0.999:
        return "below 0.1 %" if share < 0.5 else "above 99.9 %"
    return f"{100 * share:.1f} %" if share > 0.95 or share < 0.05 else f"{100 * share:.0f} %"


def odds(chances: Sequence[Chance], line: float) -> str:
    """The odds for what was read, and for larger demand where that was reckoned with."""
    first, *others = chances
    error = f" +- {100 * first.error:.1f}" if first.error else ""
    told = f"{chance(first.success)}{error} chance that no member exceeds {words.line(line)}"
    more = ", ".join(f"{chance(other.success)} at {other.demand:g} times the demand" for other in others)
    return f"{told} ({more})" if more else told
