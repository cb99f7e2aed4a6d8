"""Words in a drawing: foreign text stays text."""

from __future__ import annotations

import html
import re

from service.charts.paint import Paint

# What XML 1.0 allows in no form (its production 2, Char), not even as a reference.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
SIZE = 15  # of letters, in the drawing's own units
BREADTH = 0.56  # of a letter against its size, on the whole, in a sans-serif face


def escaped(text: str) -> str:
    """Text as it may stand in an element or in an attribute."""
    return html.escape(_NOT_XML.sub("\ufffd", text))


def shortened(text: str, room: float, size: float = SIZE) -> str:
    """As much of a text as fits, with an ellipsis where something is left out; empty where nothing fits."""
    letters = int(room / (BREADTH * size))
    if len(text) <= letters:
        return text
    return text[: letters - 1].rstrip() + "…" if letters > 1 else ""


def breadth(text: str, size: float = SIZE) -> float:
    """About how broad a text is."""
    return len(text) * BREADTH * size


def text(paint: Paint, at: tuple[float, float], words: str, *, anchor: str = "start", colour: str = "ink") -> str:
    """Words that begin, end or have their middle at a point."""
    x, y = at
    held = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text x="{x:.0f}" y="{y:.0f}"{held}{paint.of(fill=colour)}>{escaped(words)}</text>'
