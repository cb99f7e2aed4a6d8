"""The shapes of advice and change sheets."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.web.models import Direction, Shape, Share


class Chance(Shape):
    """The chance that no member exceeds the line after one draw, at a demand times what was read.

    `error` is half of the 95 % interval, 0 where all placements were counted.
    """

    success: Share
    demand: float
    error: float
    draws: int
    seed: int


class Option(Shape):
    """One thing that could be done; `refused` says why it must not be, empty where it may."""

    name: str
    title: str
    expected: str
    fits: bool | None = Field(description="Whether it clears the line, where that is certain")
    chances: list[Chance] = Field(description="The first for what was read, others for larger demand")
    prerequisites: list[str]
    risks: list[str]
    back_out: str
    refused: str
    owner: str
    missing: list[str]


class Decider(Shape):
    """Who chooses the member in a direction, and whose work a cure is."""

    direction: Direction
    by: str
    owner: Literal["virtualisation", "network", "both", "planner"]
    text: str
    missing: list[str]
    build_error: str


class Advice(Shape):
    """All options for a finding, side by side, and what they rest on."""

    finding_id: str
    line: str
    options: list[Option]
    deciders: list[Decider]
    rests_on: list[str]
    reachable: Share | None = Field(description="The lowest busiest utilisation that whole items reach")
    even_split: Share | None
    cautions: list[str]
    warnings: list[str]


class Section(Shape):
    """One heading of a change sheet."""

    heading: str
    lines: list[str]


class ChangeSheet(Shape):
    """An option for change control, in plain words: nothing to paste, and nothing that acts."""

    title: str
    finding_id: str
    option: str
    sections: list[Section]
