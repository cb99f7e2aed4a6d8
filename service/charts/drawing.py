"""A team over time as SVG: members on one scale from 0 to 100 %, with the lines that a rule draws, holes as holes."""

from __future__ import annotations

import numpy as np

from service.charts import frames, labels, lines
from service.charts.columns import columns, holes
from service.charts.frames import Frame, written
from service.charts.paint import ALONE, ON_PAGE, Paint
from service.charts.plots import Mark, Plot, Stretch
from service.charts.texts import SIZE, escaped, shortened, text

WIDTH, HEIGHT = 960, 320
LOW = 300  # of a narrow drawing
HEADROOM = 30  # above the field for words of times, cut off where there are none


def both(plot: Plot) -> str:
    """A broad and a narrow drawing of the same, of which the style sheet shows the one that fits."""
    return svg(plot) + svg(plot, frames.NARROW, LOW)


def svg(plot: Plot, width: int = WIDTH, height: int = HEIGHT, *, alone: bool = False) -> str:
    """The drawing; `alone` with its own light colours, for where no style sheet is: messages, print, reports."""
    paint = ALONE if alone else ON_PAGE
    frame = frames.frame(plot, width, height)
    parts = [
        _opened(plot, frame, (width, height), paint),
        *(_stretch(paint, frame, one, row) for row, one in enumerate(_within(plot))),
        *_scale(paint, frame),
        *_times(paint, frame),
        *(_ruled(paint, frame, share, dashes) for share, _, dashes in _limits(plot)),
        _even_split(paint, frame, plot),
        *(lines.drawn(paint, frame, line, row) for row, line in enumerate(plot.lines)),
        *(_mark(paint, frame, mark) for mark in _seen(plot)),
        _unknown(paint, frame, plot),
        # Words come last, so that no line runs over them.
        *(_mark_words(paint, frame, mark, row) for row, mark in enumerate(_seen(plot))),
        _unknown_words(paint, frame, plot),
        *(_limit_words(paint, frame, share, name) for share, name, _ in _limits(plot)),
        *(_stretch_words(paint, frame, one, row) for row, one in enumerate(_within(plot))),
        labels.drawn(paint, frame, plot),
        "</g></svg>",
    ]
    return "".join(parts)


def _opened(plot: Plot, frame: Frame, size: tuple[int, int], paint: Paint) -> str:
    (width, height), title, summary = size, escaped(plot.title), escaped(plot.summary)
    windows = together(plot, frame)
    cut = HEADROOM if paint is ON_PAGE and not _within(plot) else 0
    times = f'data-first="{plot.first_ms}" data-step="{plot.width_ms * windows}" data-end="{plot.end_ms}"'
    times += f' data-each="{plot.width_ms}"'
    field = f'data-left="{frames.LEFT}" data-right="{width - frames.RIGHT}"'
    paper = f'<rect width="{width}" height="{height}"{paint.of(fill="paper")}/>' if paint is ALONE else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="plot {shape(width)}" viewBox="0 {cut} {width} {height - cut}"'
        f' width="{width}" height="{height - cut}" role="img" aria-label="{title}" font-family="sans-serif"'
        f' font-size="{SIZE}" {times} {field}><title>{title}</title><desc>{summary}</desc><g aria-hidden="true">{paper}'
        f"{_head(plot, width, paint)}"
    )


def together(plot: Plot, frame: Frame | None = None) -> int:
    """How many windows one column of the broad drawing, or of another, holds."""
    within = frame or frames.frame(plot, WIDTH, HEIGHT)
    return max(1, -(-plot.count // within.most))


def shape(width: float) -> str:
    """The class by which a style sheet knows a drawing for a phone from one for a desk."""
    return "narrow" if width <= frames.NARROW else "broad"


def _head(plot: Plot, width: int, paint: Paint) -> str:
    """What it shows, where no page says so around it."""
    return text(paint, (8, 18), shortened(plot.title, width - 16)) if paint is ALONE else ""


def _within(plot: Plot) -> list[Stretch]:
    return [one for one in plot.stretches if one.from_ms < plot.end_ms and one.to_ms > plot.first_ms]


def _stretch(paint: Paint, frame: Frame, stretch: Stretch, row: int) -> str:
    """A time as a field, its beginning drawn up to where its words are."""
    left, right = frame.x(stretch.from_ms), frame.x(stretch.to_ms)
    broad = max(2.0, right - left)
    field = f'<rect x="{left:.1f}" y="{frame.top:g}" width="{broad:.1f}" height="{frame.bottom - frame.top:g}"'
    top = _height(frame, row) + 3
    edges = f"M{left:.1f},{top:.1f}V{frame.bottom:g}M{left + broad:.1f},{frame.top:g}V{frame.bottom:g}"
    title = f"<title>{escaped(_words(stretch))}</title>"
    return f'<g>{title}{field}{paint.of(fill="span")}/><path{paint.of("rule")} d="{edges}"/></g>'


def _stretch_words(paint: Paint, frame: Frame, stretch: Stretch, row: int) -> str:
    """Its words in a line above the field; the next one has the line above that."""
    left, right = frame.x(stretch.from_ms), frame.x(stretch.to_ms)
    at_left = left < (frame.left + frame.right) / 2
    x, anchor, room = (left, "start", frame.right - left) if at_left else (right, "end", right - frame.left)
    return text(paint, (x, _height(frame, row)), shortened(_words(stretch), room), anchor=anchor)


def _words(stretch: Stretch) -> str:
    return f"{stretch.severity}: {stretch.text}" if stretch.severity else stretch.text


def _height(frame: Frame, row: int) -> float:
    return frame.top - 8 - SIZE * 1.2 * (row % 2)


def _scale(paint: Paint, frame: Frame) -> list[str]:
    shares = frames.shares(frame.highest)
    ruled = "".join(f"M{frame.left:g},{frame.y(share):.1f}H{frame.right:g}" for share in shares)
    told = [text(paint, (frame.left - 8, frame.y(s) + 5), written(s), anchor="end") for s in shares]
    base = f'<path{paint.of("rule")} d="M{frame.left:g},{frame.bottom:g}H{frame.right:g}"/>'
    return [f'<path{paint.of("faint")} d="{ruled}"/>', base, *told]


def _times(paint: Paint, frame: Frame) -> list[str]:
    """Round instants with the time of day, and the date under the first and under each midnight."""
    found = frames.instants(frame.first_ms, frame.span_ms, frame.right - frame.left)
    ticks = "".join(f"M{frame.x(at):.1f},{frame.bottom:g}v6" for at in found)
    parts = [f'<path{paint.of("rule")} d="{ticks}"/>']
    for at in found:
        is_midnight = at % frames.DAY_MS == 0
        words = frames.day(at) if is_midnight else frames.clock(at)
        parts.append(text(paint, (frame.x(at), frame.bottom + 22), words, anchor="middle"))
    first = f"{frames.day(frame.first_ms)} {frames.clock(frame.first_ms)} to {_end(frame)} UTC"
    return [*parts, text(paint, (frame.left, frame.bottom + 40), first, colour="soft")]


def _end(frame: Frame) -> str:
    end_ms = frame.first_ms + frame.span_ms
    return f"{frames.day(end_ms)} {frames.clock(end_ms)}"


def _limits(plot: Plot) -> tuple[tuple[float, str, str], ...]:
    """The lines that a rule draws: share, name and dash."""
    return (plot.hot_above, "hot line", "16 4"), (plot.idle_below, "idle line", "4 8")


def _ruled(paint: Paint, frame: Frame, share: float, dashes: str) -> str:
    path = f'd="M{frame.left:g},{frame.y(share):.1f}H{frame.right:g}" stroke-width="1.5" stroke-dasharray="{dashes}"'
    return f"<path{paint.of('soft')} {path}/>"


def _limit_words(paint: Paint, frame: Frame, share: float, name: str) -> str:
    return text(paint, (frame.left + 4, frame.y(share) - 4), f"{name} {share * 100:.4g} %", colour="soft")


def _even_split(paint: Paint, frame: Frame, plot: Plot) -> str:
    """Round dots, which no member has."""
    if not np.isfinite(plot.even_split).any():
        return ""
    found = columns(plot.even_split, frame.most)
    path = lines.path_of(frame, found, len(plot.even_split))
    round_dots = 'stroke-width="3" stroke-linecap="round" stroke-dasharray="0 7"'
    return f'<g{lines.told(frame, labels.EVEN_SPLIT, found)}><path{paint.of("soft")} {round_dots} d="{path}"/></g>'


def _unknown(paint: Paint, frame: Frame, plot: Plot) -> str:
    """Below the field, where some member is unknown: seen even where a hole is narrower than a pixel."""
    if not plot.count:
        return ""
    figures = np.sum([line.figures for line in plot.lines], axis=0) if plot.lines else np.full(plot.count, np.nan)
    found = columns(figures, frame.most)
    x, half = lines.places(frame, found, plot.count)
    path = "".join(f"M{x[a] - half:.1f},{frame.bottom + 3:g}H{x[b - 1] + half:.1f}" for a, b in holes(found))
    if not path:
        return ""
    return f'<g><title>some member is unknown</title><path{paint.of("soft")} stroke-width="5" d="{path}"/></g>'


def _unknown_words(paint: Paint, frame: Frame, plot: Plot) -> str:
    unknown = any(np.isnan(line.figures).any() for line in plot.lines) or not plot.lines
    if not unknown or not plot.count:
        return ""
    piece = f'<path{paint.of("soft")} stroke-width="5" d="M{frame.right + 8:g},{frame.bottom + 3:g}h{labels.SAMPLE}"/>'
    return piece + text(paint, (frame.right + 14 + labels.SAMPLE, frame.bottom + 8), "unknown", colour="soft")


def _seen(plot: Plot) -> list[Mark]:
    return [mark for mark in plot.marks if plot.first_ms <= mark.at_ms <= plot.end_ms]


def _mark(paint: Paint, frame: Frame, mark: Mark) -> str:
    """A vertical line with an arrowhead at its top."""
    x = frame.x(mark.at_ms)
    line = f"M{x:.1f},{frame.top:g}V{frame.bottom:g}"
    head = f"M{x - 5:.1f},{frame.top:g}h10l-5,9z"
    return (
        f"<g><title>{escaped(mark.text)}</title>"
        f'<path{paint.of("ink")} stroke-width="1.5" stroke-dasharray="1 3" d="{line}"/>'
        f'<path{paint.of(fill="ink")} d="{head}"/></g>'
    )


def _mark_words(paint: Paint, frame: Frame, mark: Mark, row: int) -> str:
    """Its words on the side that has more room; those of the next two are lower, so that near ones can be read."""
    x, y = frame.x(mark.at_ms), frame.top + 14 + SIZE * 1.2 * (row % 3)
    at_right = x < (frame.left + frame.right) / 2
    room = (frame.right - x if at_right else x - frame.left) - 8
    place, anchor = ((x + 6, y), "start") if at_right else ((x - 6, y), "end")
    return text(paint, place, shortened(mark.text, room), anchor=anchor)
