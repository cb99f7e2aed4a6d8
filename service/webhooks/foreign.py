"""Text that strangers typed, such as names of devices and ports: made plain, and short enough for its place."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

ELLIPSIS = "…"

# What chat systems read as markup, mentions or links, as the same letters in full width: they
# read the same and mean nothing to a machine. Round brackets mean something only after square ones.
MARKUP = {ord(letter): chr(ord(letter) + 0xFEE0) for letter in "<>&*_`[]|@#~\\{}^$"}
# Categories of Unicode that change how the rest is shown, or break a line: controls, formats
# (with the bidirectional ones), surrogates, private and unassigned letters, line and paragraph ends.
UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def plain(text: str) -> str:
    """A stranger's text as one line of plain text, never empty."""
    seen = "".join(" " if unicodedata.category(letter) in UNSEEN else letter for letter in text)
    # A link must not come alive either: the colon before // goes full width.
    linkless = " ".join(seen.split()).replace("://", "\uff1a//")
    return linkless.translate(MARKUP) or "?"


def shortened(text: str, most: int) -> str:
    """A text of at most so many letters: what is over goes from its middle, because names differ at both ends."""
    if len(text) <= most:
        return text
    if most <= 1:
        return ELLIPSIS[:most]
    tail = (most - 1) // 2
    head = most - 1 - tail
    return text[:head] + ELLIPSIS + text[len(text) - tail :]


def cut(text: str, most: int) -> str:
    """A sentence of at most so many letters: what is over goes from its end."""
    return text if len(text) <= most else text[: max(most - 1, 0)] + ELLIPSIS[:most]


def fitted(names: Sequence[str], room: int) -> list[str]:
    """Names shortened so that they need at most `room` letters together; short ones stay whole, long ones share."""
    allowed = dict.fromkeys(range(len(names)), 0)
    left = room
    by_length = sorted(allowed, key=lambda place: len(names[place]))
    for done, place in enumerate(by_length):
        allowed[place] = min(len(names[place]), left // (len(names) - done))
        left -= allowed[place]
    return [shortened(name, allowed[place]) for place, name in enumerate(names)]
