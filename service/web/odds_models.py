"""The shapes of questions about odds and of their answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, ConfigDict, Field

from service.errors import WrongState
from service.numerics.odds_asked import Question
from service.numerics.odds_loads import DEMANDS, MOST_DEMAND
from service.web.models import Shape

# What is answered while the caller waits; `lopside odds` takes more.
MOST_ITEMS, MOST_LINKS, MOST_DEMANDS = 64, 8, 4
MOST_BPS = 10**13


def _whole(told: object) -> object:
    """JSON Schema calls 5.0 an integer as well."""
    return int(told) if isinstance(told, float) and told.is_integer() else told


# Last of the annotations: bounds outside of it would be held, but not described.
WHOLE = BeforeValidator(_whole)
Bps = Annotated[int, Field(ge=0, le=MOST_BPS), WHOLE]
Speed = Annotated[int, Field(ge=1, le=MOST_BPS), WHOLE]
LinkAt = Annotated[int, Field(ge=0, lt=MOST_LINKS), WHOLE]
Seed = Annotated[int, Field(ge=0, le=2**53), WHOLE]
Moves = Annotated[int, Field(ge=0, le=MOST_ITEMS), WHOLE]
Demand = Annotated[float, Field(gt=0, le=MOST_DEMAND)]


class Asked(Shape):
    """What is asked, where a word that is not known is a slip."""

    model_config = ConfigDict(extra="forbid", strict=True)


class OddsItem(Asked):
    """A conversation or virtual port that stays whole; `link` is where it is, counted from 0 in the order of links."""

    bps: Bps
    link: LinkAt | None = None


class OddsLink(Asked):
    """A member: its speed, and what it carries besides the items."""

    bps: Speed
    background_bps: Bps = 0


class OddsQuestion(Asked):
    """Items and members; with `link` of every item also the best placement from here and placement by load."""

    items: list[OddsItem] = Field(min_length=1, max_length=MOST_ITEMS)
    links: list[OddsLink] = Field(min_length=1, max_length=MOST_LINKS)
    line: float = Field(default=0.75, gt=0, le=1, description="The share of its speed that a member must not exceed")
    demands: list[Demand] = Field(default=list(DEMANDS), min_length=1, max_length=MOST_DEMANDS)
    seed: Seed = Field(default=1, description="Of the draws, where there are too many to count")
    most_moves: Moves | None = Field(default=None, description="How many items the best may move")


class OddsChance(Shape):
    """The chance that no member is above the line after one draw; `error` is half of the 95 % interval, 0 if exact."""

    success: float
    demand: float
    error: float
    draws: int
    seed: int


class OddsPlacement(Shape):
    """Where each item would be, and what that comes to; none that is allowed gets below `floor`."""

    positions: list[int]
    busiest: float
    utilisation: list[float]
    floor: float
    moves: int
    proven: bool


class OddsStanding(Shape):
    """How the members stand now, and whether none is above the line."""

    utilisation: list[float]
    fits: bool


class OddsMove(Shape):
    """An item taken from one member to another, and the utilisations after it."""

    item: int
    source: int
    target: int
    utilisation: list[float]


class OddsByLoad(Shape):
    """What placement by load would come to: simulated moves, and all single moves that would clear the line."""

    fits: bool
    moves: list[OddsMove]
    clearing: list[OddsMove]
    before: list[float]
    after: list[float]
    too_large: list[int]
    text: str


class Odds(Shape):
    """The answer: chances by demand, what whole items can reach at best, and how placement by load would end."""

    chances: list[OddsChance]
    even_split: float
    lowest_busiest: float = Field(description="No method that keeps items whole gets below this")
    effective_items: float = Field(description="As many equal items would be as uneven")
    typical_share: float | None = Field(description="Of the busier of two members of one speed")
    why: str = Field(description="Why no draw can do it; empty where one may")
    best: OddsPlacement
    objective: str
    now: OddsStanding | None
    load_aware: OddsByLoad | None
    assumptions: list[str]
    cautions: list[str]


class EqualOdds(Shape):
    """Exact odds of equal items; `most` is by the largest count on one member, from 0."""

    items: int
    links: int
    all_apart: float
    all_together: float
    least_on_busiest: float = Field(description="The busiest gets as few as it can: items over links, rounded up")
    mean_busiest_share: float
    busiest_60: float = Field(description="The busiest gets at least 60 % of the items")
    busiest_70: float
    most: list[float]


def question_of(asked: OddsQuestion) -> Question:
    """The question in the core's words; WrongState where parts of it do not go together."""
    at = [one.link for one in asked.items]
    current = tuple(link for link in at if link is not None)
    if max(current, default=0) >= len(asked.links):
        raise WrongState(f"an item is on link {max(current)}, and the last of these links is {len(asked.links) - 1}")
    if asked.most_moves is not None and len(current) < len(at):
        raise WrongState("moves can be limited only where the link of every item is told")
    return Question(
        items=tuple(float(one.bps) for one in asked.items),
        capacity=tuple(float(one.bps) for one in asked.links),
        background=tuple(float(one.background_bps) for one in asked.links),
        line=asked.line,
        demands=tuple(asked.demands),
        seed=asked.seed,
        current=current if len(current) == len(at) else None,
        most_moves=asked.most_moves,
    )
