"""One team and direction as a verdict is reached on it: both sides, their difference, and what bears on it."""

from __future__ import annotations

from dataclasses import dataclass

from service.terms import Side


@dataclass(frozen=True)
class Case:
    """Figures of one team. `low` and `high` bound `difference` (of excess, after less before) with 95 %.

    `variances` are those of the two means, `used` how many windows of each side lie in bands of load that both
    have. `only_before` and `only_after` are members that count on one side only, `gone` those of the first that are
    known to be down, out or broken. `after_ms` is from the beginning of the first window after to the end of the last.
    """

    before: Side
    after: Side
    difference: float | None
    low: float | None
    high: float | None
    load_ratio: float | None
    comparable: float
    squeezed: bool
    used: tuple[int, int]
    variances: tuple[float, float]
    clear_below: float
    first_after_ms: int | None
    after_ms: int
    only_before: tuple[str, ...] = ()
    only_after: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    boot_low: float | None = None
    boot_high: float | None = None
