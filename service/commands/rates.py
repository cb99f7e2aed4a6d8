"""Rates as people type them: 430M, 1.5G, 10Gbit/s; and items made of them."""

from __future__ import annotations

import re
from typing import Any, NamedTuple

import click

UNITS = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9, "t": 10**12}
MOST_AT_ONCE = 512
_RATE = re.compile(r"(\d{1,15}(?:\.\d{1,6})?)([kKmMgGtT]?)(?:bit/s)?", re.ASCII)
_ITEM = re.compile(r"(?:(\d{1,3})x)?([^@x]+)(?:@(\d{1,3}))?", re.ASCII)


class Items(NamedTuple):
    """Some items of one rate, and the link they are on, counted from 1; 0 where that is not said."""

    many: int
    bps: float
    link: int


class Rate(click.ParamType[float]):
    """A rate in bit/s, with k, M, G or T for thousands, millions and so on."""

    name = "RATE"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The rate in bit/s."""
        told = value if isinstance(value, (int, float)) else rate_of(str(value))
        if told is None:
            self.fail(f"{value!r} is no rate; write it like 430M or 1G, in bit/s", param, ctx)
        return float(told)


class ItemsOfARate(click.ParamType[Items]):
    """An item or several of one rate: 430M, 8x53.75M, 430M@1 for one that is on link 1."""

    name = "[COUNTx]RATE[@LINK]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Items:
        """The items that the text stands for."""
        if isinstance(value, Items):
            return value
        told = _ITEM.fullmatch(str(value).strip())
        bps = rate_of(told[2]) if told else None
        count = int(told[1] or 1) if told else 0
        if told is None or bps is None or not 1 <= count <= MOST_AT_ONCE:
            self.fail(f"{value!r} is no item; write it like 430M, 8x53.75M or 430M@1", param, ctx)
        if told[3] is not None and int(told[3]) < 1:
            self.fail(f"{value!r}: links are counted from 1", param, ctx)
        return Items(count, bps, int(told[3] or 0))


def rate_of(text: str) -> float | None:
    """A rate in bit/s, None where the text is none."""
    told = _RATE.fullmatch(text.strip())
    return float(told[1]) * UNITS[told[2].lower()] if told else None
