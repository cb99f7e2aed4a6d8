"""A standby member that nobody declared: it hears what is sent to everybody and says next to nothing.

Source
------
A port that is blocked, or standby at its far end, gets group-addressed frames only; LACP and discovery protocols send
a frame a second or less (IEEE 802.1AX, 802.1AB). The lines are this project's.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import EGRESS, INGRESS, Diagnosis, Evidence, Sure, Truths, WhyNot

NAME = "standby-undeclared"
CHATTER_PACKETS, CHATTER_BPS = 10.0, 10_000.0  # a second
PROBABLE_MS, POSSIBLE_MS = 3_600_000, 600_000
ALL_GROUP = 0.999  # of the packets that come; the rest is what the sums of rates are rounded by
NOT_ASKED = (WhyNot.STANDBY, WhyNot.OUT, WhyNot.DOWN, WhyNot.NO_DATA)


def diagnoses(situation: Situation, signs: Signs) -> Iterator[Diagnosis]:
    """Each other member that has done nothing but chatter so long, packets counted all the time."""
    width_ms = situation.windows.span.width_ms
    for port, name in enumerate(situation.ports):
        if port == signs.of or int(situation.windows.why_not[port, -1, EGRESS]) in NOT_ASKED:
            continue
        windows = _quiet_windows(situation, port)
        if windows * width_ms < POSSIBLE_MS:
            continue
        sure = Sure.PROBABLE if windows * width_ms >= PROBABLE_MS else Sure.POSSIBLE
        told = f"{name}: only multicast and broadcast came and next to nothing went, {windows * width_ms // 60_000} min"
        missing = (f"forwarding state of {name} at the far end",)
        text = f"{name} may be a standby or blocked member that nobody declared"
        yield Diagnosis(NAME, sure, text, (name,), Evidence((told,), (), missing))


def _quiet_windows(situation: Situation, port: int) -> int:
    """How many of the newest windows running show nothing but chatter."""
    windows = situation.windows
    group = (windows.mcast + windows.bcast)[port, :, INGRESS]
    came, went = windows.packets[port, :, INGRESS], windows.packets[port, :, EGRESS]
    bps = windows.utilisation[port, :, EGRESS] * windows.speed_bps[port]
    quiet = (came > 0) & (group >= ALL_GROUP * came) & (went < CHATTER_PACKETS) & (bps < CHATTER_BPS)
    return _running(quiet)


def _running(holds: Truths) -> int:
    broken = np.flatnonzero(~holds)
    return len(holds) - 1 - int(broken[-1]) if len(broken) else len(holds)
