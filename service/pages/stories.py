"""GET /stories: readings that are easily taken for something else; each is assessed when it is opened."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import msgspec
from fastapi import Request
from fastapi.responses import HTMLResponse

from service.errors import NotFound
from service.pages import routing
from service.pages.rendering import HERE, page
from service.pages.story_figures import FIGURES
from service.pages.story_found import Found, found
from service.pages.story_roads import ROADS
from service.pages.viewers import Watching

CASES = ("scenarios.json", "more.json")

router = routing.router()


@dataclass(frozen=True)
class Story:
    """What was planted, what must be said of it, and why it is easily got wrong."""

    case: str
    address: str
    title: str
    planted: str
    said: str
    wrong: str


@router.get("/stories")
def listing(request: Request, viewer: Watching) -> HTMLResponse:
    """All stories, a line each."""
    return page(request, viewer, "stories.html", {"stories": tuple(stories().values())})


@router.get("/stories/{address}")
def one(request: Request, viewer: Watching, address: str) -> HTMLResponse:
    """One story, with what is found in its samples by the road that all samples take."""
    told = stories()
    if address not in told:
        raise NotFound("story", address)
    addresses = list(told)
    following = told[addresses[(addresses.index(address) + 1) % len(addresses)]]
    parts, figures = come_of(told[address].case)
    more = {"story": told[address], "parts": parts, "figures": figures, "following": following}
    return page(request, viewer, "story.html", more)


@cache
def stories() -> dict[str, Story]:
    """Stories by address, in their order."""
    told = msgspec.json.decode((HERE / "cases" / "stories.json").read_bytes(), type=list[Story])
    return {story.address: story for story in told}


@cache
def come_of(case: str) -> tuple[tuple[Found, ...], tuple[str, ...]]:
    """What comes of a case: the same each time, so that it is reckoned once."""
    given = _cases()[case]["input"]
    parts = tuple(found(part) for part in ROADS[case](given)) if case in ROADS else ()
    return parts, FIGURES[case](given) if case in FIGURES else ()


@cache
def _cases() -> dict[str, dict[str, Any]]:
    read = (msgspec.json.decode((HERE / "cases" / name).read_bytes()) for name in CASES)
    return {case["id"]: case for cases in read for case in cases}
