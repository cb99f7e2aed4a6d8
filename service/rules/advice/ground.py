"""What an advice stands on: the situation, its loads, what explains it, and who decides."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from service.numerics.odds import chances
from service.rules.advice.dealt import Dealt, dealt
from service.rules.advice.loads import Loads
from service.rules.advice.refusals import far_end
from service.rules.diagnoses.deciding import FAR_END, ROUTER
from service.rules.situation import Situation
from service.terms import Chance, Decider, Diagnosis

AS_READ, SQUEEZED = (1.0,), (1.0, 1.5, 2.0)


@dataclass(frozen=True)
class Ground:
    """All of it for one finding; `streams` says into how many alike conversations an operator can split an item."""

    situation: Situation
    loads: Loads
    diagnoses: tuple[Diagnosis, ...]
    deciders: tuple[Decider, ...]
    streams: Mapping[str, int] = field(default_factory=dict)
    seed: int = 1

    @property
    def decider(self) -> Decider:
        """Who decides in the finding's direction."""
        return next(one for one in self.deciders if one.direction == self.situation.finding.direction)

    @property
    def is_vain(self) -> bool:
        """Whether somebody else chooses the member, so that no method of this end changes anything."""
        return self.decider.by in (FAR_END, ROUTER)

    @property
    def bundle(self) -> str:
        """What is at the far end."""
        return far_end(self.situation)

    @property
    def is_full(self) -> bool:
        """Whether even the even split lies above the line below which a team is calm."""
        return not self.loads.broken and (self.loads.even_split or 0.0) > self.loads.clear

    @property
    def demands(self) -> tuple[float, ...]:
        """What the rates may be multiplied with: those read under a ceiling, or off steps, may understate demand."""
        is_known = bool(self.situation.items)
        return AS_READ if is_known and not self.loads.is_squeezed else SQUEEZED

    def dealt(self, method: str) -> Dealt:
        """What a method deals out here."""
        return dealt(method, self.situation, self.loads, self.diagnoses, self.streams)

    def chances(self, what: Dealt, more: tuple[float, ...] = ()) -> tuple[Chance, ...]:
        """The odds of one draw among the members, and as many more as are given by their speeds.

        With more members only for what was read: what takes long with two takes longer with three.
        """
        speeds, rest = (*self.loads.capacity_bps, *more), (*what.background_bps, *(0.0 for _ in more))
        demands = AS_READ if more else self.demands
        return _chances(what.weights_bps, speeds, rest, self.loads.line, demands=demands, seed=self.seed)


# Several methods deal the same items where a source tells of one kind only.
_chances = lru_cache(maxsize=32)(chances)
