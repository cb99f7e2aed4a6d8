"""Members at one moment as bars on one scale from 0 to 100 %, with the hot line and the even split."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from service.charts import paint as colours
from service.charts.frames import shares, written
from service.charts.paint import ALONE, ON_PAGE, Paint
from service.charts.texts import SIZE, escaped, shortened, text

TOP, ROW, BOTTOM = 48, 34, 28
# Of the whole, of what is kept for names, and of what is kept for figures in words.
BROAD, NARROW = (960, 160, 230), (420, 96, 130)


Limit = tuple[float, str, str]  # a share, its name, its dash


@dataclass(frozen=True)
class Bar:
    """One member: its share of its rate, None where unknown, and why it cannot take load, empty where it can."""

    name: str
    share: float | None
    why_not: str = ""


@dataclass(frozen=True)
class _Field:
    highest: float
    bottom: float
    size: tuple[int, int, int]

    @property
    def left(self) -> int:
        return self.size[1]

    @property
    def right(self) -> int:
        return self.size[0] - self.size[2]

    def x(self, share: float) -> float:
        return self.left + min(1.0, max(0.0, share / self.highest)) * (self.right - self.left)


def both(bars: Sequence[Bar], hot_above: float, even_split: float | None, *, title: str = "Members now") -> str:
    """A broad and a narrow drawing of the same, of which the style sheet shows the one that fits."""
    return "".join(svg(bars, hot_above, even_split, title=title, size=size) for size in (BROAD, NARROW))


def svg(  # noqa: PLR0913  # what is shown, and how
    bars: Sequence[Bar],
    hot_above: float,
    even_split: float | None,
    *,
    title: str = "Members now",
    alone: bool = False,
    size: tuple[int, int, int] = BROAD,
) -> str:
    """The drawing; `alone` with its own light colours, for where no style sheet is."""
    paint = ALONE if alone else ON_PAGE
    most = max((bar.share for bar in bars if bar.share is not None and math.isfinite(bar.share)), default=0.0)
    field = _Field(1.0 if most <= 1 else math.ceil(most * 4) / 4, TOP + ROW * len(bars), size)
    width, height = size[0], field.bottom + BOTTOM
    paper = f'<rect width="{width}" height="{height:g}"{paint.of(fill="paper")}/>' if alone else ""
    shape = "narrow" if size is NARROW else "broad"
    return "".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="plot {shape}" viewBox="0 0 {width} {height:g}"',
            f' width="{width}"',
            f' height="{height:g}" role="img" aria-label="{escaped(title)}" font-family="sans-serif"',
            f' font-size="{SIZE}"><title>{escaped(title)}</title>',
            f'<desc>{escaped(summary(bars, hot_above, even_split))}</desc><g aria-hidden="true">{paper}',
            *_scale(paint, field),
            *(_bar(paint, field, bar, row) for row, bar in enumerate(bars)),
            *(_upright(paint, field, row, one) for row, one in enumerate(_limits(hot_above, even_split))),
            # Words come last, so that no line runs over them.
            *_scale_words(paint, field),
            *(_bar_words(paint, field, bar, row) for row, bar in enumerate(bars)),
            *(_limit_words(paint, field, row, one) for row, one in enumerate(_limits(hot_above, even_split))),
            "</g></svg>",
        )
    )


def summary(bars: Sequence[Bar], hot_above: float, even_split: float | None) -> str:
    """The same in a sentence."""
    told = "; ".join(f"{bar.name} {_words(bar)}" for bar in bars)
    even = f"{even_split * 100:.1f} %" if even_split is not None and math.isfinite(even_split) else "unknown"
    return f"{told}. Hot line {hot_above * 100:.4g} %, even split {even}."


def _limits(hot_above: float, even_split: float | None) -> tuple[Limit, ...]:
    """The lines across all bars: share, name and dash."""
    hot = (hot_above, "hot line", "16 4")
    if even_split is None or not math.isfinite(even_split):
        return (hot,)
    return hot, (even_split, "even split", "0 7")


def _words(bar: Bar) -> str:
    share = f"{bar.share * 100:.1f} %" if bar.share is not None and math.isfinite(bar.share) else "unknown"
    return f"{share}, {bar.why_not}" if bar.why_not else share


def _scale(paint: Paint, field: _Field) -> list[str]:
    ruled = "".join(f"M{field.x(share):.1f},{TOP}V{field.bottom:g}" for share in shares(field.highest))
    return [
        f'<path{paint.of("faint")} d="{ruled}"/>',
        f'<path{paint.of("rule")} d="M{field.left},{TOP}V{field.bottom:g}"/>',
    ]


def _scale_words(paint: Paint, field: _Field) -> list[str]:
    return [
        text(paint, (field.x(share), field.bottom + 20), written(share), anchor="middle")
        for share in shares(field.highest)
    ]


def _bar(paint: Paint, field: _Field, bar: Bar, row: int) -> str:
    """A filled bar, hollow where the member cannot take load, none where it is unknown."""
    if bar.share is None or not math.isfinite(bar.share):
        return ""
    colour = colours.member(row)
    look = paint.of(colour, "paper" if bar.why_not else colour)
    dashes = ' stroke-dasharray="4 3"' if bar.why_not else ""
    size = f'width="{max(1.0, field.x(bar.share) - field.left):.1f}" height="18" stroke-width="2"'
    drawn = f'<rect x="{field.left}" y="{TOP + ROW * row + 8}" {size}{look}{dashes}/>'
    return f"<g><title>{escaped(bar.name)}: {escaped(_words(bar))}</title>{drawn}</g>"


def _bar_words(paint: Paint, field: _Field, bar: Bar, row: int) -> str:
    """Its name before it and its figure behind the field; the whole of both where they are too long for that."""
    y = TOP + ROW * row + 22
    name = text(paint, (field.left - 10, y), shortened(bar.name, field.left - 14), anchor="end")
    words = shortened(_words(bar), field.size[2] - 12)
    told = text(paint, (field.right + 10, y), words)
    return f"<g><title>{escaped(bar.name)}: {escaped(_words(bar))}</title>{name}{told}</g>"


def _height(row: int) -> float:
    """The foot of a limit's words: each has a line of its own above the bars."""
    return TOP - 12 - 18 * row


def _upright(paint: Paint, field: _Field, row: int, limit: Limit) -> str:
    share, _, dashes = limit
    ends = ' stroke-linecap="round"' if dashes.startswith("0") else ""
    look = f'{paint.of("ink")} stroke-width="2.5" stroke-dasharray="{dashes}"{ends}'
    return f'<path{look} d="M{field.x(share):.1f},{_height(row) - 10:g}V{field.bottom:g}"/>'


def _limit_words(paint: Paint, field: _Field, row: int, limit: Limit) -> str:
    share, name, _ = limit
    x, words = field.x(share), f"{name} {f'{share * 100:.1f}'.removesuffix('.0')} %"
    is_left = x < field.size[0] / 2
    anchor, beside = ("start", x + 6) if is_left else ("end", x - 6)
    return text(paint, (beside, _height(row)), words, anchor=anchor)
