"""What a plot of a team over time shows, before anybody draws it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from service.terms import Floats, Truths


def _none() -> Truths:
    return np.zeros(0, dtype=np.bool_)


@dataclass(frozen=True)
class Line:
    """One member: a share of its rate in each window (n,), NaN where unknown.

    `partial` (n,) tells windows of which only a part was covered, `restated` (n,) those that were rewritten after
    they had been decided; either may be left out.
    """

    name: str
    figures: Floats
    partial: Truths = field(default_factory=_none)
    restated: Truths = field(default_factory=_none)


@dataclass(frozen=True)
class Stretch:
    """A time with a text, half-open: that of a finding, say."""

    from_ms: int
    to_ms: int
    text: str
    severity: str = ""


@dataclass(frozen=True)
class Mark:
    """An instant with a text: a change, say."""

    at_ms: int
    text: str


@dataclass(frozen=True)
class Plot:
    """Windows of `width_ms` from `first_ms` on, a line a member.

    All arrays are (n,). `even_split` is what each member would show if load were divided by speed, NaN where unknown
    and empty where nobody keeps it.
    """

    title: str
    summary: str
    first_ms: int
    width_ms: int
    lines: tuple[Line, ...]
    even_split: Floats
    hot_above: float
    idle_below: float
    stretches: tuple[Stretch, ...] = ()
    marks: tuple[Mark, ...] = ()

    @property
    def count(self) -> int:
        """How many windows it spans."""
        return max((len(line.figures) for line in self.lines), default=len(self.even_split))

    @property
    def end_ms(self) -> int:
        """When its last window ends."""
        return self.first_ms + self.count * self.width_ms
