"""What `lopside trial` found, as a text for people."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from service.commands.group import printable
from service.commands.odds_words import rate
from service.rules.trials.outcome import Landed, Member, Shift, Trial
from service.rules.words import minutes, percent
from service.webhooks.fields import instant

WIDTH = 110
MOST_ITEMS = 20


def text_of(found: Trial) -> str:
    """The whole report, ending in a newline."""
    blocks = (
        "\n".join(_heading(found)),
        _titled("Members", [_member(one) for one in found.members]),
        _titled(_seats_title(found), [f"{seat.port}: {_streams(seat.streams)}" for seat in found.seats]),
        _titled("Steps", [_step(one) for one in found.landed]),
        *(_titled(_shift_title(one), list(_shift(one))) for one in found.shifts),
        _titled("What the odds had said", [found.foretold.text] if found.foretold else []),
        _titled("Records", [f"{one.name} on {one.port}: {rate(one.bps)}" for one in found.items[:MOST_ITEMS]]),
        _titled("Mind", found.warnings),
        _titled("Cautions", found.cautions),
    )
    return "\n\n".join(printable(block) for block in blocks if block) + "\n"


def _heading(found: Trial) -> Iterator[str]:
    yield f"{found.device}, team {found.team}, {found.direction}: {_verdict(found)}"
    length = minutes(found.end_ms - found.begin_ms)
    yield f"check from {instant(found.begin_ms)}, {length}, polled every {found.poll_s:g} s; {_reach(found)}"
    if found.count is not None:
        count = found.count
        before = "nothing known of before" if count.background_bps is None else f"{rate(count.background_bps)} before"
        yield (
            f"offered {rate(count.offered_bps)}, with overhead {rate(count.expected_bps)};"
            f" counted {rate(count.counted_bps)}, {before}, over {count.seconds:.0f} s"
        )
    lost = "unknown" if found.discards is None else f"{found.discards:,}"
    yield f"frames discarded by members in the check: {lost}"


def _verdict(found: Trial) -> str:
    if found.count is None:
        return "nothing to compare"
    of = f"{100 * found.count.ratio:.1f} % of what was expected was counted"
    within = f"within {percent(found.count.tolerance)}"
    return f"{of}, {within}" if found.count.agrees else f"{of}, not {within}"


def _reach(found: Trial) -> str:
    if found.until_ms is None:
        return "no polls are known of it"
    return "polls reach past its end" if found.complete else f"polls reach until {instant(found.until_ms)}"


def _member(one: Member) -> str:
    now = "unknown" if one.counted_bps is None else rate(one.counted_bps)
    used = "" if one.utilisation is None else f", {percent(one.utilisation)}"
    before = "unknown" if one.background_bps is None else rate(one.background_bps)
    return f"{one.port}: {now}{used} while most was offered; {before} before"


def _seats_title(found: Trial) -> str:
    return "Landed, by records" if found.seats_by == "records" else "Landed, by steps in members' rates"


def _streams(count: int) -> str:
    return f"{count} stream" if count == 1 else f"{count} streams"


def _step(one: Landed) -> str:
    sign = "+" if one.height_bps > 0 else "-"
    told = "" if one.streams is None else f", {_streams(abs(one.streams))}"
    of = "" if one.stream_bps is None else f" of {rate(one.stream_bps)}"
    why = {"begin": ": streams begin", "end": ": streams end", "change": ": the change"}.get(one.declared, "")
    return f"{instant(one.at_ms // 1000 * 1000)} {one.port} {sign}{rate(abs(one.height_bps))}{told}{of}{why}"


def _shift_title(one: Shift) -> str:
    what = f": {one.what}" if one.what else ""
    return f"Changed {instant(one.change_ms)}{what}"


def _shift(one: Shift) -> Iterator[str]:
    yield one.text
    if one.lost_octets is None or one.error_octets is None:
        yield "not delivered meanwhile: unknown, for no level shows on one of its sides"
    elif one.lost_octets <= one.error_octets:
        yield f"not delivered meanwhile: nothing that shows (+-{_octets(one.error_octets)})"
    else:
        as_long = "" if one.lost_ms is None else f", as much as {one.lost_ms:.0f} ms of all streams"
        yield f"not delivered meanwhile: {_octets(one.lost_octets)} (+-{_octets(one.error_octets)}){as_long}"
    yield f"frames discarded meanwhile: {'unknown' if one.discards is None else f'{one.discards:,}'}"


def _octets(count: float) -> str:
    for unit, word in ((1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if count >= unit:
            return f"{count / unit:.4g} {word}"
    return f"{count:.0f} octets"


def _titled(title: str, lines: Sequence[str]) -> str:
    wrapped = [part for line in lines for part in textwrap.wrap(line, WIDTH - 2, subsequent_indent="  ")]
    return "\n".join([title, *(f"  {line}" for line in wrapped)]) if wrapped else ""
