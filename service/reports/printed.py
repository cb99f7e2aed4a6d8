"""A report as PDF: one sheet of A4 and what backs it up, typeset by typst, tagged for readers of screens (PDF/UA-1)."""

from __future__ import annotations

import json
import re
from dataclasses import asdict
from pathlib import Path

import typst

from service.reports.paper import Paper

TEMPLATE = Path(__file__).with_name("paper.typ")
# What the fonts that come with the typesetter can show: Latin, Greek, Cyrillic, punctuation, arrows, mathematics.
_BEYOND = re.compile(r"[^\x20-\x7e\xa0-\u04ff\u2010-\u2027\u2030-\u2040\u20ac\u2122\u2190-\u22ff]")


def pdf(paper: Paper, base: str = "") -> bytes:
    """The file: the same paper gives the same octets, whatever fonts a machine has and whatever time it is.

    Foreign text goes in as data, never as markup. `base` is put before addresses; without it a figure is not
    linked, because an address without a host leads nowhere from a file.
    """
    told = json.dumps(_shown({**asdict(paper), "base": base}), ensure_ascii=False, allow_nan=False)
    return bytes(
        typst.compile(
            str(TEMPLATE),
            root=str(TEMPLATE.parent),
            format="pdf",
            ignore_system_fonts=True,
            sys_inputs={"paper": told},
            timestamp=paper.to_ms // 1000,
            pdf_standards="ua-1",
        )
    )


def shown(text: str) -> str:
    """A text with each character that the fonts lack named by its code point, because PDF/UA allows no empty box."""
    return "".join(one if _is_shown(one) else f"U+{ord(one):04X}" for one in text)


def _is_shown(one: str) -> bool:
    # Within the blocks a code point that is not assigned is not printable either; nor is the no-break space, to Python.
    return not _BEYOND.match(one) and (one.isprintable() or one == "\xa0")


def _shown(told: object) -> object:
    if isinstance(told, str):
        return shown(told)
    if isinstance(told, dict):
        return {name: _shown(value) for name, value in told.items()}
    return [_shown(value) for value in told] if isinstance(told, list | tuple) else told
