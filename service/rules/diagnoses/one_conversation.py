"""One large conversation: no method can split what must stay in order.

Source
------
IEEE 802.1AX: the frames of one conversation travel on one link, so that they stay in order. TCP acknowledges at
least every second full segment (RFC 5681 section 4.2), hence about half as many packets back. The lines are this
project's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from service.numerics.steps import Step, variation
from service.rules import words
from service.rules.diagnoses import signs as reading
from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import CONVERSATION, VIRTUAL_PORT, Diagnosis, Evidence, Floats, Item, Sure

NAME = "one-conversation"
MOST_OF_MEMBER = 0.90  # one item so large is the member's load
SIBLING = 1 / 4  # of the step; what rises on others by more is more than one item
STEADY = 0.02  # coefficient of variation
STEADY_WINDOWS = 6
AT_CEILING = 3  # windows at line rate that will do: the ceiling holds the rate, and so many raise a finding
CEILING = 0.97
# Speeds of senders' own links (IEEE 802.3), of which a sender may fill 97 to 100 %.
STANDARD_BPS = tuple(1e6 * mbps for mbps in (10, 100, 1000, 2500, 5000, 10_000, 25_000, 40_000, 50_000, 100_000))
LARGE_FRAME = 1400
OF_MTU = 0.95
ANSWERS = (0.3, 1.1)  # packets back for each forward
SMALL_ANSWER = 100  # octets; an acknowledgement without data
LARGE_ANSWER = 500
SAME_RATE = 0.05  # two levels of one item differ by no more than what else the members carry
ALONE = 0.01  # of line rate; where nothing else reaches it, the conversation hurts only itself
FINEST = (CONVERSATION, VIRTUAL_PORT)
ASK_ITEMS = "flow records or virtual-port counters"


class Moved(NamedTuple):
    """From which member an item came, and the last window in which it was wholly there."""

    port: int
    last: int


@dataclass
class _Case:
    """What has been found for and against so far."""

    speaks_for: list[str]
    against: list[str]
    missing: list[str]

    def weigh(self, sign: tuple[bool | None, str]) -> bool:
        """Put a sign where it belongs: seen, spoken against, or (None) unknown; whether it was seen."""
        holds, text = sign
        if text:
            (self.missing if holds is None else self.speaks_for if holds else self.against).append(text)
        return holds is True


def diagnosis(situation: Situation, signs: Signs) -> Diagnosis | None:
    """One large conversation on the hot member: shown by items, else as sure as the counters' signs make it."""
    if signs.of < 0:
        return None
    items = reading.items_on(situation, signs.name, FINEST)
    by_items = _by_items(situation, signs, items)
    if by_items is not None:
        return by_items
    case = _Case([], [], [])
    onset = signs.onset
    stepped = case.weigh(_stepped(situation, signs, onset))
    moved = _moved(signs, onset)
    steady = case.weigh(_steady(_plateau(signs, moved))) and case.weigh(_level(situation, signs, moved))
    large = case.weigh(_large(situation, signs, onset))
    answered = case.weigh(_answered(signs, None if moved else onset)) or moved is not None
    if items:
        case.against.append(f"the largest single item known is {_share_told(items)} of {signs.name}")
    else:
        case.missing.append(ASK_ITEMS)
    return _decided(signs, case, (stepped, steady, large, answered))


def _decided(signs: Signs, case: _Case, seen: tuple[bool, bool, bool, bool]) -> Diagnosis | None:
    if case.against or not seen[1] or sum(seen) < 2:
        return None
    sure = Sure.PROBABLE if all(seen) else Sure.POSSIBLE
    return Diagnosis(NAME, sure, _text(signs.name), (signs.name,), _evidence(case))


def _text(member: str) -> str:
    return f"one large conversation fills {member}; no method can split it"


def _evidence(case: _Case) -> Evidence:
    return Evidence(tuple(case.speaks_for), tuple(case.against), tuple(case.missing))


def _by_items(situation: Situation, signs: Signs, items: tuple[Item, ...]) -> Diagnosis | None:
    """Shown where one item is nearly all of the member, as its own octets have it."""
    whole = max(reading.mean(signs.bps[signs.of, signs.since_onset()]), sum(item.bps for item in items))
    # What has no name is the sum of many that were not kept one by one.
    if not items or not items[0].name or not items[0].bps >= MOST_OF_MEMBER * whole:
        return None
    what = "conversation" if items[0].kind == CONVERSATION else "virtual port"
    rest = (whole - items[0].bps) / max(1, reading.line_speed(situation, signs.of))
    told = (
        f"{what} {items[0].name} carries {words.percent(items[0].bps / whole)} of {signs.name},"
        f" all else {words.percent(max(0.0, rest))} of its speed"
    )
    text = _text(signs.name) if items[0].kind == CONVERSATION else f"one virtual port fills {signs.name}"
    missing = () if items[0].kind == CONVERSATION else ("conversation records: whether it is one or several",)
    return Diagnosis(NAME, Sure.SHOWN, text, (signs.name,), Evidence((told,), (), missing))


def _share_told(items: tuple[Item, ...]) -> str:
    largest = max((item.bps for item in items if item.name), default=0.0)
    return words.percent(largest / max(1.0, sum(item.bps for item in items)))


def _stepped(situation: Situation, signs: Signs, onset: Step | None) -> tuple[bool | None, str]:
    if onset is None:
        return None, f"how {signs.name} rose: no window before it"
    rose = [step.height for port in reading.others(signs) for step in signs.levels[port] if abs(step.at - onset.at) < 2]
    if max(rose, default=0.0) >= SIBLING * onset.height:
        return False, f"other members rose together with {signs.name}"
    before = [step for step in signs.levels[signs.of] if step.at < onset.at]
    if before and before[-1].height > 0:
        return False, f"{signs.name} rose in several steps"
    within = situation.windows.span.width_ms * max(1, onset.at - onset.last)
    return True, (
        f"{signs.name} rose by {100 * onset.height:.1f} points within {words.minutes(within)}, no other member with it"
    )


def _plateau(signs: Signs, moved: Moved | None) -> Floats:
    """The hot member's level, after that which the same item had on another member before it moved."""
    here = signs.used[signs.of, signs.since_onset()]
    if moved is None:
        return here
    up = [step.at for step in signs.levels[moved.port] if step.height > 0 and step.at <= moved.last]
    return np.concatenate([signs.used[moved.port, max(up, default=0) : moved.last + 1], here])


def _steady(level: Floats) -> tuple[bool | None, str]:
    known = level[~np.isnan(level)]
    least = AT_CEILING if len(known) and known.mean() >= CEILING else STEADY_WINDOWS
    varies = variation(level)
    if len(known) < least:
        return None, f"{least} windows on one level: {len(known)} so far"
    if varies >= STEADY:
        return False, f"its rate varies by {100 * varies:.1f} %"
    lowest, highest = (f"{100 * value:.1f}" for value in (known.min(), known.max()))
    told = f"{lowest} to {highest} %" if lowest != highest else f"{highest} %"
    return True, f"steady since, {told} in {len(known)} windows"


def _level(situation: Situation, signs: Signs, moved: Moved | None) -> tuple[bool | None, str]:
    """A plateau means a limit: this link, the sender's own link, or the sender itself where the rate goes along."""
    here = signs.since_onset()
    if reading.mean(signs.used[signs.of, here]) >= CEILING:
        return True, "at line rate"
    if moved is not None:
        return True, f"the whole of it moved at once from {situation.ports[moved.port]}, at the same rate"
    before = signs.onset.before * reading.line_speed(situation, signs.of) if signs.onset else 0.0
    bps = reading.mean(signs.bps[signs.of, here]) - before
    if any(CEILING <= bps / speed <= 1.0 for speed in STANDARD_BPS):
        return True, f"its rate, {words.rate(bps)}, is that of a sender's own link"
    return None, "why the rate stays where it is: neither this link's speed nor a sender's"


def _moved(signs: Signs, onset: Step | None) -> Moved | None:
    """The member that lost in the same moment what the hot one got, whole: one item that moved."""
    if onset is None:
        return None
    rate = signs.bps[signs.of, onset.at]
    for port in reading.others(signs):
        for step in signs.levels[port]:
            same = abs(signs.bps[port, step.last] - rate) <= SAME_RATE * rate
            if step.height < 0 and abs(step.at - onset.at) < 2 and same:
                return Moved(port, step.last)
    return None


def _large(situation: Situation, signs: Signs, onset: Step | None) -> tuple[bool | None, str]:
    """The frames of what rose, so that small frames of others on the member do not hide large ones."""
    here = signs.since_onset()
    bps, packets = reading.mean(signs.bps[signs.of, here]), reading.mean(signs.packets[signs.of, here])
    if onset is not None:
        bps -= signs.bps[signs.of, onset.last]
        packets -= signs.packets[signs.of, onset.last]
    octets = reading.frame_octets(bps, packets)
    if np.isnan(octets):
        return None, "packet counters: how large its frames are"
    least = min(LARGE_FRAME, OF_MTU * situation.mtu) if situation.mtu else LARGE_FRAME
    if octets < least:
        return False, f"its frames are small: {octets:.0f} octets on average"
    return True, f"large frames, {octets:,.0f} octets on average"


def _answered(signs: Signs, onset: Step | None) -> tuple[bool | None, str]:
    """Small packets back, half as many; they may come on any member, as the other end chooses that."""
    here = signs.since_onset()
    forward, back, bps = (
        reading.mean(rows[:, here].sum(axis=0)) for rows in (signs.packets, signs.back, signs.back_bps)
    )
    if onset is not None:
        forward, back, bps = (
            now - float(rows[:, onset.last].sum())
            for now, rows in zip((forward, back, bps), (signs.packets, signs.back, signs.back_bps), strict=True)
        )
    if np.isnan(forward) or np.isnan(back) or forward <= 0:
        return None, "packet counters of the other direction: whether it is acknowledged"
    ratio, octets = back / forward, reading.frame_octets(bps, back)
    if ratio >= ANSWERS[0] and octets >= LARGE_ANSWER:
        return False, f"large packets come back too, {octets:.0f} octets on average"
    if ANSWERS[0] <= ratio <= ANSWERS[1] and octets <= SMALL_ANSWER:
        return True, f"small packets back, {ratio:.2f} for each, {octets:.0f} octets"
    return None, "acknowledgements: too few small packets come back to tell"


def is_alone(found: Diagnosis, situation: Situation, signs: Signs) -> bool:
    """Whether nothing else on the member reaches 1 % of its speed, so that the conversation hurts only itself."""
    if found.name != NAME or found.sure == Sure.POSSIBLE:
        return False
    speed = reading.line_speed(situation, signs.of)
    items = reading.items_on(situation, signs.name, FINEST)
    if items and speed:
        rest = max(reading.mean(signs.bps[signs.of, signs.since_onset()]) - sum(item.bps for item in items), 0.0)
        return max((item.bps for item in items[1:]), default=0.0) < ALONE * speed and rest < ALONE * speed
    return signs.onset is not None and signs.onset.before < ALONE
