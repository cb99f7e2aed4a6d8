"""What came of one change to many teams, beside what luck alone would have done."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from service.rules.verdicts.wording import WORDS
from service.terms import Outcome, Verdict

NEEDED = 10  # draws; with fewer a method cannot be told from its luck
SHOWN_BELOW = 0.05
BETTER = (Outcome.EVENED_OUT, Outcome.IMPROVED)
CHOSEN = (
    "teams that were chosen because they were uneven improve more often than even odds say: luck alone favours them"
)


@dataclass(frozen=True)
class FleetVerdict:
    """How many teams came to which outcome, and whether more got better than even odds explain.

    `told` are teams with a verdict, `better` those of them that evened out or improved, `p` the chance of so many
    or more if each had got better with even odds, None where none is told; `by_luck` and `give_or_take` are how many
    even odds make better, and the standard deviation of that.
    """

    counts: dict[Outcome, int]
    told: int
    better: int
    p: float | None
    by_luck: float
    give_or_take: float
    is_shown: bool
    text: str


def fleet_verdict(verdicts: Sequence[Verdict]) -> FleetVerdict:
    """The verdict of a bulk change from those of its teams and directions.

    Teams of which nothing can be told yet are left out; unchanged, moved and worse count against.
    """
    counts = Counter(verdict.outcome for verdict in verdicts)
    told = len(verdicts) - counts[Outcome.CANNOT_TELL_YET]
    better = sum(counts[outcome] for outcome in BETTER)
    p = sign_test(better, told) if told else None
    return FleetVerdict(
        counts={outcome: counts[outcome] for outcome in Outcome},
        told=told,
        better=better,
        p=p,
        by_luck=told / 2,
        give_or_take=math.sqrt(told) / 2,
        is_shown=p is not None and told >= NEEDED and p < SHOWN_BELOW,
        text=_text(counts, told, better, p),
    )


def sign_test(better: int, told: int) -> float:
    """The chance that of so many draws with even odds so many or more come out better, one-sided and exact.

    Source
    ------
    The sign test: an upper tail of the binomial distribution with one half.

    Examples
    --------
    >>> round(sign_test(9, 10), 3), round(sign_test(8, 10), 3)
    (0.011, 0.055)
    """
    return float(Fraction(sum(math.comb(told, k) for k in range(better, told + 1)), 2**told))


def _text(counts: Counter[Outcome], told: int, better: int, p: float | None) -> str:
    by_outcome = ", ".join(f"{counts[outcome]} {WORDS[outcome]}" for outcome in Outcome if counts[outcome])
    if p is None:
        return f"{by_outcome}; nothing can be told yet" if by_outcome else "no team has a verdict yet"
    luck = f"luck alone would make {told / 2:g} better, give or take {math.sqrt(told) / 2:.0f}"
    return f"{by_outcome}; {better} of {told} better, {luck}; {_shown(told, p)}; {CHOSEN}"


def _shown(told: int, p: float) -> str:
    if told < NEEDED:
        return f"too few to judge the method (fewer than {NEEDED})"
    shown = "better than luck" if p < SHOWN_BELOW else "not shown to be better than luck"
    return f"{shown} (one-sided p = {p:.2g})"
