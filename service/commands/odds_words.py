"""What `lopside odds` and its exhibits print for people; links are counted from 1 there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from fractions import Fraction

from service.errors import WrongQuestion
from service.numerics.frames import Transfer, counted_ceiling, frames_per_s, payload_bps
from service.numerics.hashes import FIELDS, LABEL, Stated, member_of
from service.numerics.load_aware import Outcome
from service.numerics.odds_asked import Answer, Question
from service.numerics.odds_equal import EqualItems, Exhibited
from service.numerics.placement import Placement
from service.terms import Chance, Endpoints

BAR = 40
MOST_LISTED = 12


def lines(question: Question, found: Answer) -> list[str]:
    """The answer to a question about items and links."""
    return [
        *_asked(question, found),
        "",
        f"chance that no member is above {_percent(question.line)} after one draw:",
        *(f"  {_chance(one)}" for one in found.chances),
        *([f"  {found.why}"] if found.why else []),
        *_typical(found),
        "",
        *_best(found.best),
        *(_by_load(found.load_aware) if found.load_aware else []),
        "",
        *(f"assumed: {text}" for text in found.assumptions),
        *(f"caution: {text}" for text in found.cautions),
    ]


def _asked(question: Question, found: Answer) -> Iterator[str]:
    alike = sorted(Counter(question.items).items(), reverse=True)
    rates = ", ".join(f"{many} x {rate(one)}" if many > 1 else rate(one) for one, many in alike[:MOST_LISTED])
    more = f" and {len(alike) - MOST_LISTED} lower rates" if len(alike) > MOST_LISTED else ""
    yield f"{_many(len(question.items), 'item')}: {rates}{more}; as uneven as {found.effective_items:.1f} equal ones"
    besides = [
        f"{rate(speed)}{f' with {rate(other)} besides' if other else ''}"
        for speed, other in zip(question.capacity, question.background, strict=True)
    ]
    yield f"{_many(len(besides), 'member')}: {', '.join(besides)}"
    yield f"even split {_percent(found.even_split)}; no whole-item method gets below {_percent(found.lowest_busiest)}"
    if found.now is not None:
        word = "no member" if found.now.fits else "a member"
        yield f"as it is: {_shares(found.now.utilisation)}; {word} is above the line"


def _chance(one: Chance) -> str:
    what = "as read" if one.demand == 1 else f"were each item {one.demand:g} times as large"
    how = f" +- {_percent(one.error, 2)} ({one.draws:,} draws, seed {one.seed})" if one.draws else " exactly"
    return f"{_percent(one.success, 2):>8}{how}, {what}"


def _typical(found: Answer) -> Iterator[str]:
    if found.typical_share is not None:
        share = round(100 * found.typical_share)
        yield f"  typical split of one draw: {share}/{100 - share}"


def _best(placed: Placement) -> Iterator[str]:
    moved = f", moving {_many(placed.moves, 'item')}" if placed.moves else ""
    sure = "" if placed.proven else f" (found, not proven best: none gets below {_percent(placed.floor)})"
    yield f"best placement of whole items: {_shares(placed.utilisation)}{moved}{sure}"


def _by_load(outcome: Outcome) -> Iterator[str]:
    yield f"placement by load, simulated: {outcome.text}"
    for move in outcome.moves:
        yield f"  window by window: item {move.item + 1} to member {move.target + 1}: {_shares(move.utilisation)}"
    for move in outcome.clearing if len(outcome.clearing) > 1 else ():
        yield f"  would clear at once: item {move.item + 1} to member {move.target + 1}: {_shares(move.utilisation)}"


def equal_lines(found: EqualItems) -> list[str]:
    """The exact odds of equal items."""
    return [
        f"{_many(found.items, 'equal item')} on {_many(found.links, 'member')}, exactly:",
        f"  all apart           {_percent(found.all_apart, 3):>9}",
        f"  all together        {_percent(found.all_together, 3):>9}",
        f"  busiest has least   {_percent(found.least_on_busiest, 3):>9}",
        f"  mean busiest share  {_percent(found.mean_busiest_share, 3):>9}",
        f"  busiest has >= 60 % {_percent(found.busiest_60, 3):>9}",
        f"  busiest has >= 70 % {_percent(found.busiest_70, 3):>9}",
        "largest count on one member:",
        *(f"  {m:>3}  {_percent(chance, 3):>9}" for m, chance in enumerate(found.most) if chance),
    ]


def exhibit_lines(found: Exhibited) -> list[str]:
    """Draws and exact chances side by side."""
    most = max(exact for _, _, exact in found.counts)
    return [
        f"{_many(found.items, 'equal item')} on {_many(found.links, 'member')},"
        f" {found.draws:,} draws of all of them, seed {found.seed}",
        "largest count on one member, its share, drawn and exact:",
        *(
            f"  {m:>3} {_percent(m / found.items):>7} {_percent(drawn, 1):>7} {_percent(exact, 1):>7}"
            f"  {'#' * round(BAR * exact / most)}"
            for m, drawn, exact in found.counts
        ),
        *(
            f"busiest has >= {_percent(share)}: drawn {_percent(drawn, 1)} +- {_percent(error, 1)},"
            f" exact {_percent(exact, 1)}"
            for share, drawn, error, exact in found.shares
        ),
        "distributed is not balanced: each draw is one change, and it stays",
    ]


def endpoints_of(fields: Sequence[str], text: str) -> Endpoints:
    """A conversation from the values of the fields, with commas between them."""
    values = [value.strip() for value in text.split(",")]
    if len(values) != len(fields):
        raise WrongQuestion(text[:80], f"has {len(values)} values, and the function takes {', '.join(fields)}")
    told: dict[str, str | int] = {}
    for name, value in zip(fields, values, strict=True):
        whole = name in FIELDS and isinstance(Endpoints._field_defaults[name], int)
        if whole and not (value.isascii() and value.isdigit() and len(value) <= 9):
            raise WrongQuestion(name, f"{value[:40]!r} is no whole number")
        told[name] = int(value) if whole else value
    return Endpoints(**told)  # type: ignore[arg-type]  # numbers where Endpoints has numbers, as just seen to


def member_lines(function: Stated, told: Sequence[tuple[str, Endpoints]], n: int) -> list[str]:
    """Each conversation with its member, how many each member gets, and whose function it is."""
    chosen = [(text, member_of(function, endpoints, n)) for text, endpoints in told]
    counts = [sum(at == member for _, at in chosen) for member in range(n)]
    return [
        f"{function}, members 0 to {n - 1}",
        *(f"  {text} -> member {at}" for text, at in chosen),
        f"conversations by member: {', '.join(map(str, counts))}",
        LABEL,
    ]


def frame_lines(speed_bps: int, transfers: Sequence[Transfer]) -> list[str]:
    """What is left of a link's speed, for each MTU, against the first."""
    first = transfers[0].efficiency
    return [
        f"a full link of {rate(speed_bps)}, TCP in full-sized segments:",
        *(
            f"  MTU {one.mtu:,}: {rate(payload_bps(speed_bps, one))} of payload ({_percent(one.efficiency, 2)});"
            f" {frames_per_s(speed_bps, one.frame_octets):,.0f} frames of {one.frame_octets:,} octets a second;"
            f" counters show {_percent(counted_ceiling(one.frame_octets), 2)}"
            f"{f'; {_percent(one.efficiency / first - 1, 1)} more payload' if one.efficiency > first else ''}"
            for one in transfers
        ),
    ]


def rate(bps: float) -> str:
    """A rate with its unit, to four digits."""
    for unit, word in ((1e12, "Tbit/s"), (1e9, "Gbit/s"), (1e6, "Mbit/s"), (1e3, "kbit/s")):
        if bps >= unit:
            return f"{bps / unit:.4g} {word}"
    return f"{bps:.4g} bit/s"


def _shares(utilisation: Sequence[float]) -> str:
    return "/".join(f"{100 * one:.3g}" for one in utilisation) + " %"


def _percent(share: float | Fraction, digits: int = 1) -> str:
    return f"{100 * float(share):.{digits}f}".rstrip("0").rstrip(".") + " %"


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
