"""How often luck alone would raise: what a site wants to know before it moves a rule."""

from __future__ import annotations

from scipy import stats

from service.terms import Rule


def false_raise_chance(flagged: float, rule: Rule) -> float:
    """The chance that `raise_of` windows raise though each was flagged by luck, on its own.

    Parameters
    ----------
    flagged : float
        Share of windows that are flagged, 0 to 1. Real windows follow one another and are not
        independent, so this is the least that luck does.

    Source
    ------
    Binomial survival function; 3 of 4 at 0.1 is 4 * 0.1**3 * 0.9 + 0.1**4 = 0.0037.

    Examples
    --------
    >>> round(false_raise_chance(0.1, Rule()), 4)
    0.0037
    """
    return float(stats.binom.sf(rule.raise_windows - 1, rule.raise_of, flagged))
