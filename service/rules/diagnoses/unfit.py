"""What the counters of a member that must not be used mean: nothing comes back, nothing is answered, it damages.

Source
------
The kinds are raised by the rules from counters; states of LACP, where told, show more. Errors of 1 in 100,000
frames are far above what a cable within its specification makes (IEEE 802.3: 1 bit in 10^10 or fewer).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from service.rules import unfit_signs
from service.rules.evidence import UNFIT_NEEDS
from service.rules.situation import Situation, cut, held_until
from service.terms import CUT_OFF, EGRESS, INGRESS, VIRTUAL_PORT, Diagnosis, Evidence, MemberWindows, Sure

BAD_RATIO = 1e-3


def diagnoses(situation: Situation) -> Iterator[Diagnosis]:
    """What a finding of the build family says of its members."""
    names = [member.port for member in situation.finding.hot if member.port in situation.ports]
    explain = {"one-sided": _one_sided, "unanswered": _unanswered, "sick": _sick}.get(situation.finding.kind)
    for name in names if explain else ():
        yield explain(situation, name)  # type: ignore[misc]  # there are no names where there is nothing to explain


def _one_sided(situation: Situation, name: str) -> Diagnosis:
    told = _sign(situation, name) or (
        f"{name} is up and sends, and no unicast packet comes on it, while its siblings get theirs"
    )
    against = () if situation.team.bundle else ("no bundle is declared: without one it may be idle inward by chance",)
    missing = (UNFIT_NEEDS["one-sided"],)
    sure = Sure.PROBABLE if situation.team.bundle in {"static", "lacp"} else Sure.POSSIBLE
    text = f"the far end sends nothing on {name}"
    return Diagnosis("far-end-not-distributing", sure, text, (name,), Evidence((told,), against, missing))


def _unanswered(situation: Situation, name: str) -> Diagnosis:
    share = _broadcast_share(situation, situation.ports.index(name))
    share_told = f", {100 * share:.0f} % of it broadcast" if np.isfinite(share) else ""
    told = _sign(situation, name) or (
        f"{name} sends{share_told}, and no unicast packet comes on it, while its siblings have both"
    )
    missing = (UNFIT_NEEDS["unanswered"],)
    text = f"nothing that {name} sends is answered: a VLAN may be missing at its far end"
    return Diagnosis(
        "unanswered", Sure.PROBABLE, text, (name,), Evidence((told, *_cut_off(situation, name)), (), missing)
    )


def _cut_off(situation: Situation, name: str) -> tuple[str, ...]:
    """Whom it hurts: the virtual ports whose traffic goes out there and gets no answer."""
    sit = sum(1 for item in situation.items if item.port == name and item.kind == VIRTUAL_PORT and item.name)
    if not sit:
        return ()
    return (f"{sit} virtual port{'s sit' if sit > 1 else ' sits'} on {name}: {CUT_OFF}",)


def _sick(situation: Situation, name: str) -> Diagnosis:
    ratio = error_ratio(situation, situation.ports.index(name))
    told = f"{name}: {ratio:.2g} of what comes is damaged" if np.isfinite(ratio) else f"{name}: input errors rise"
    told = _sign(situation, name) or told
    bad = ", badly" if ratio >= BAD_RATIO else ""
    missing = (UNFIT_NEEDS["sick"],)
    text = f"{name} damages what it carries{bad}: look at cable, plug and transceiver"
    return Diagnosis("sick", Sure.PROBABLE, text, (name,), Evidence((told,), (), missing))


def _sign(situation: Situation, name: str) -> str:
    """What the rules read when they raised it of this member: said once, not again in other words."""
    finding = situation.finding
    signs = unfit_signs.kept(finding.evidence.speaks_for, finding.kind)
    named = f" {name} ".replace(",", " ")
    return next((sign for sign in signs if named in f" {sign} ".replace(",", " ")), "")


def _while_so(situation: Situation) -> MemberWindows:
    """The windows in which it held: what the member carried before would dilute them."""
    finding, rows = situation.finding, range(len(situation.ports))
    return cut(situation.windows, rows, finding.since_ms, held_until(finding))


def _broadcast_share(situation: Situation, port: int) -> float:
    windows = _while_so(situation)
    sent, group = windows.packets[port, :, EGRESS], windows.bcast[port, :, EGRESS]
    known = ~np.isnan(sent) & ~np.isnan(group)
    return float(group[known].sum() / sent[known].sum()) if sent[known].sum() > 0 else np.nan


def error_ratio(situation: Situation, port: int) -> float:
    """Input errors / (input errors + input packets) while it was so; NaN where nobody counts."""
    windows = _while_so(situation)
    errors, packets = windows.errors[port, :, INGRESS], windows.packets[port, :, INGRESS]
    known = ~np.isnan(errors) & ~np.isnan(packets)
    whole = float(errors[known].sum() + packets[known].sum())
    return float(errors[known].sum()) / whole if whole > 0 else np.nan
