"""Pairs of method and far end that cut machines off, and changes that would send traffic into a broken member."""

from __future__ import annotations

from service.rules import words
from service.rules.advice.loads import Loads
from service.rules.advice.methods import WAYS
from service.rules.diagnoses.deciding import BUNDLED, is_routed
from service.rules.situation import Situation
from service.terms import BundleState, LacpState

NONE, ONE_SIDE, ROUTED, UNKNOWN_BUNDLE = "none", "one side", "routed", ""


def far_end(situation: Situation) -> str:
    """What is at the other end: "none", "static", "lacp", "routed", "one side" where one end alone bundles, or ""."""
    if is_routed(situation.team, situation.ports):
        return ROUTED
    told = situation.team.bundle if situation.team.bundle in (NONE, *BUNDLED) else UNKNOWN_BUNDLE
    heard = [_hears(state) for state in situation.states if state is not None and state.actor is not None]
    if told == "lacp" and False in heard:
        return ONE_SIDE
    if told == NONE and True in heard:
        return ONE_SIDE
    return "lacp" if told == UNKNOWN_BUNDLE and heard and all(heard) else told


def _hears(state: BundleState) -> bool:
    """Whether a partner answers: without one, this end works with values of its own (802.1AX: Defaulted)."""
    return not (state.actor or 0) & LacpState.DEFAULTED and bool(state.partner_system or state.partner)


def refusal(option: str, situation: Situation, loads: Loads) -> str:
    """Why an option must not be carried out as things stand, a sentence; empty where it may be."""
    if option in ("leave", "mend"):
        return ""
    if loads.broken:
        one = len(loads.broken) == 1
        names = words.listed(sorted(loads.broken))
        return f"mend {names} first: {'it is' if one else 'they are'} broken and must be offered no load"
    return mismatch(option, far_end(situation)) if option in WAYS else ""


def mismatch(method: str, bundle: str) -> str:
    """Why a method must not face what is at the other end, a sentence; empty where it may or nothing is known of it."""
    if bundle == ROUTED:
        return "" if WAYS[method].needs_bundle else "the members are routed paths, which only a hash chooses among"
    if bundle == ONE_SIDE:
        return "only one side of the cables aggregates: settle that at both ends first"
    if WAYS[method].needs_bundle and bundle == NONE:
        return "needs a matching bundle at the far end, and there is none: addresses would move between ports"
    if not WAYS[method].needs_bundle and bundle in BUNDLED:
        return "must not face a bundle, and the far end has one: its hash would send to members that expect nothing"
    return ""
