"""What the far end's table of addresses does to ingress: copies on every member, or an address that moves.

Source
------
IEEE 802.1Q: a bridge sends what it has no entry for to all ports, and to the port where an address was last seen.
The lines are this project's.
"""

from __future__ import annotations

import numpy as np

from service.rules.diagnoses.deciding import BUNDLED
from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import INGRESS, Diagnosis, Evidence, Floats, Sure

FLOODING, MOVING = "flooding", "address-moving"
EQUAL = 0.03
WORTH_A_WORD = 0.10  # of line rate, on average; less is noise
FEWEST_WINDOWS = 6
OPPOSED = -0.8  # Pearson's r of two members
STEADY_SUM = 0.10  # coefficient of variation of their sum
FASTEST_MS = 60_000  # an address that stays longer is moved by the method, not by two ports that claim it


def flooding(situation: Situation, signs: Signs) -> Diagnosis | None:
    """All members carry the same at the same time: copies, which must not be added up."""
    if signs.way != INGRESS or situation.team.bundle in BUNDLED or len(signs.used) < 2:
        return None
    used, packets = _known(signs.used), _known(signs.packets)
    if used.shape[1] < FEWEST_WINDOWS or used.mean() < WORTH_A_WORD or not _equal(used) or not _equal(packets):
        return None
    names = ", ".join(situation.ports)
    told = f"octets and packets of {names} are equal within {100 * EQUAL:.0f} % in {used.shape[1]} windows"
    missing = ("the far end's table of addresses: whether entries age out or move",)
    text = "the far end may flood: every member carries copies, so the sum counts them twice"
    return Diagnosis(FLOODING, Sure.POSSIBLE, text, situation.ports, Evidence((told,), (), missing))


def moving(situation: Situation, signs: Signs) -> Diagnosis | None:
    """What one member loses another gets, to and fro faster than any placement by load would move it."""
    if signs.way != INGRESS or situation.team.method == "load-aware" or len(signs.used) != 2:
        return None
    used = _known(signs.used)
    if used.shape[1] < FEWEST_WINDOWS or (np.ptp(used, axis=1) == 0).any():
        return None
    r, total = float(np.corrcoef(used[0], used[1])[0, 1]), used.sum(axis=0)
    stays_ms = _stays_ms(used, situation.windows.span.width_ms)
    if r >= OPPOSED or total.std() > STEADY_SUM * total.mean() or stays_ms > FASTEST_MS:
        return None
    told = (
        f"ingress of {' and '.join(situation.ports)} runs contrary (r = {r:.2f}) while the sum stays,"
        f" changing sides every {stays_ms // 1000} s"
    )
    is_known = situation.team.method not in {"", "unknown"}
    missing = ("the far end's log of moved addresses", *(() if is_known else ("by which method this end distributes",)))
    text = "an address moves to and fro between the members at the far end"
    sure = Sure.PROBABLE if is_known else Sure.POSSIBLE
    return Diagnosis(MOVING, sure, text, situation.ports, Evidence((told,), (), missing))


def _known(rows: Floats) -> Floats:
    """The windows in which every member is known."""
    return rows[:, ~np.isnan(rows).any(axis=0)]


def _equal(rows: Floats) -> bool:
    return bool(rows.size) and bool((np.ptp(rows, axis=0) <= EQUAL * rows.max(axis=0)).all())


def _stays_ms(used: Floats, width_ms: int) -> int:
    """How long on average the same member leads."""
    leads = used.argmax(axis=0)
    return int(len(leads) * width_ms / (1 + np.count_nonzero(np.diff(leads))))
