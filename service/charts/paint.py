"""Colours and dashes: by class on a page, where the style sheet knows the scheme, or written out where there is none.

The colours are those of Okabe and Ito, "Color Universal Design" (2008), darkened where paper asks for more contrast:
none of them is told from another by red against green alone. No two members share a dash, so that colour only helps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

# The light scheme of the style sheet, for drawings that stand alone; a test holds both to the same.
LIGHT = MappingProxyType(
    {
        "paper": "#ffffff",
        "ink": "#16181a",
        "soft": "#50565c",
        "rule": "#767c82",
        "faint": "#e4e6e8",
        "span": "#f3e3d6",
        "member-1": "#0072b2",
        "member-2": "#d55e00",
        "member-3": "#00946c",
        "member-4": "#c36197",
        "member-5": "#000000",
        "member-6": "#ae7800",
        "member-7": "#1a88c7",
        "member-8": "#8b830b",
    }
)
DASHES = ("", "9 3", "3 3", "12 3 3 3", "18 5", "3 3 3 7", "6 6", "12 3 3 3 3 3")
MOST_COLOURS = 8


@dataclass(frozen=True)
class Paint:
    """How a colour gets onto an element: as a class, or as its own value where `colours` has it."""

    colours: Mapping[str, str] = field(default_factory=dict)

    def of(self, stroke: str = "none", fill: str = "none") -> str:
        """The attributes of an element, with a space before them."""
        if self.colours:
            return f' stroke="{self.colours.get(stroke, stroke)}" fill="{self.colours.get(fill, fill)}"'
        return f' class="s-{stroke} f-{fill}"'


ON_PAGE = Paint()
ALONE = Paint(LIGHT)


def member(row: int) -> str:
    """The colour of a member by its position; the ninth begins anew."""
    return f"member-{row % MOST_COLOURS + 1}"


def dash(row: int) -> str:
    """The attribute for a member's dash by its position, with a space before it."""
    pattern = DASHES[row % len(DASHES)]
    return f' stroke-dasharray="{pattern}"' if pattern else ""
