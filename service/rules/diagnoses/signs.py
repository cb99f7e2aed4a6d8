"""What the windows of a situation show of its hot member, read once for all diagnoses."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from service.numerics.steps import Step, steps
from service.rules.situation import Situation
from service.terms import DIRECTIONS, Floats, Item

LEAST_STEP = 0.10  # of line rate; what is less is noise of many small items
PREAMBLE_AND_GAP = 20  # octets beside each frame on the wire (IEEE 802.3: preamble, delimiter, interpacket gap)


@dataclass(frozen=True)
class Signs:
    """Figures of the finding's direction; `of` is the hot member's position, -1 where none is known.

    `used`, `bps`, `packets`, `back` (packets of the other direction) and `back_bps` have shape
    (n_ports, n_windows), NaN where unknown. `levels` are the steps of each member,
    `unfit` the members that are built wrong.
    """

    way: int
    of: int
    name: str
    used: Floats
    bps: Floats
    packets: Floats
    back: Floats
    back_bps: Floats
    levels: tuple[tuple[Step, ...], ...]
    unfit: frozenset[str] = frozenset()

    @property
    def onset(self) -> Step | None:
        """The last step up of the hot member: how it got where it is; None where no window shows it."""
        up = [step for step in self.levels[self.of] if step.height > 0] if self.of >= 0 else []
        return up[-1] if up else None

    def since_onset(self) -> slice:
        """The windows on the hot member's last level; all where no step is seen."""
        if self.of < 0:
            return slice(0, 0)
        begun = self.onset.at if self.onset else 0
        ends = [step.last + 1 for step in self.levels[self.of] if step.at > begun]
        return slice(begun, ends[0] if ends else self.used.shape[1])


def of(situation: Situation) -> Signs:
    """Read the windows of a situation."""
    windows, way = situation.windows, DIRECTIONS.index(situation.finding.direction)
    used, back = windows.utilisation[..., way], windows.utilisation[..., 1 - way]
    hot = _hot(situation)
    return Signs(
        way=way,
        of=hot,
        name=situation.ports[hot] if hot >= 0 else "",
        used=used,
        bps=used * windows.speed_bps,
        packets=windows.packets[..., way].astype(float),
        back=windows.packets[..., 1 - way].astype(float),
        back_bps=back * windows.speed_bps,
        levels=tuple(steps(used[port], LEAST_STEP) for port in range(len(situation.ports))),
    )


def _hot(situation: Situation) -> int:
    finding = situation.finding
    known = [member for member in finding.hot if member.utilisation is not None]
    name = max(known, key=lambda member: member.utilisation or 0.0).port if known else finding.peak_port
    return situation.ports.index(name) if name in situation.ports else -1


def items_on(situation: Situation, port: str, kinds: Sequence[str]) -> tuple[Item, ...]:
    """The items of a member, the largest first, of the first of the kinds that is told of it.

    Virtual ports and conversations are two views of the same traffic, which must not be added up.
    """
    here = [item for item in situation.items if item.port == port]
    told = {item.kind for item in here}
    kind = next((kind for kind in kinds if kind in told), None)
    return tuple(sorted((item for item in here if item.kind == kind), key=lambda item: -item.bps))


def mean(values: Floats) -> float:
    """The mean of what is known; NaN where nothing is."""
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else np.nan


def frame_octets(bps: float, packets: float) -> float:
    """The mean length of a frame with its check sequence, from rates on the wire; NaN without packets."""
    return bps / 8 / packets - PREAMBLE_AND_GAP if packets > 0 else np.nan


def others(signs: Signs) -> Iterator[int]:
    """The positions of all members but the hot one."""
    return (port for port in range(len(signs.used)) if port != signs.of)


def line_speed(situation: Situation, port: int) -> int:
    """The speed of a member in its newest window that knows it, in bit/s, 0 where none does."""
    told = situation.windows.speed_bps[port]
    return int(told[told > 0][-1]) if (told > 0).any() else 0
