"""Each method as an option for one finding: odds, prerequisites, risks, and why it must not be done."""

from __future__ import annotations

from service.numerics.odds import at_most
from service.rules import words
from service.rules.advice import hopeless, placing, spoken
from service.rules.advice.cautions import BACK_OUT_WHEN
from service.rules.advice.dealt import Dealt
from service.rules.advice.ground import Ground
from service.rules.advice.methods import WAYS, title_of
from service.rules.advice.refusals import NONE, ROUTED, UNKNOWN_BUNDLE, refusal
from service.rules.diagnoses.deciding import ASK_BUNDLE, BOTH, NETWORK, VIRTUALISATION
from service.terms import Chance, Option

_NO_LOADS = "unknown without the loads of virtual ports"
SUPPOSED = (2, 8, 24)  # alike items, to show what finer grain is worth where nobody knows the items


def of_method(method: str, ground: Ground) -> Option:
    """One method of WAYS; `chances` stay empty where it is refused for what is broken or where nobody can know."""
    way, refused = WAYS[method], refusal(method, ground.situation, ground.loads)
    expected, fits, chances, missing = _foretold(method, ground, refused)
    return Option(
        name=method,
        title=_title(method, ground),
        expected=expected,
        fits=fits,
        chances=chances,
        prerequisites=(*(f"Host: {one}" for one in way.host), *(f"Far end: {one}" for one in _far_end(method, ground))),
        risks=way.risks,
        back_out=f"{_way_back(method, ground)}; back out at {BACK_OUT_WHEN}.",
        refused=refused,
        owner=_owner(method, ground),
        missing=missing,
    )


def of_far_end(ground: Ground) -> Option:
    """Another hash at the end that chooses, which is another team's work."""
    what = ground.dealt("far-end")
    refused = refusal("far-end", ground.situation, ground.loads)
    expected, fits, chances = ("", None, ()) if refused else _drawn(ground, what)
    return Option(
        name="far-end",
        title=title_of("far-end"),
        expected=expected or "unknown until that end is mended",
        fits=fits,
        chances=chances,
        prerequisites=(
            "Host: its bundle takes frames of a conversation on any member, as every bundle does",
            "Far end: a hash over what varies most here, as layer-4 ports, is on offer and known to its keeper",
        ),
        risks=(
            "a hash is often set for a whole device: every bundle of it is dealt anew",
            "all that comes from other networks carries one gateway's hardware address",
        ),
        back_out=f"Put the former hash back; back out at {BACK_OUT_WHEN}.",
        refused=refused,
        owner=NETWORK,
        missing=what.missing,
    )


def _title(method: str, ground: Ground) -> str:
    is_redraw = method == ground.situation.team.method and not ground.is_vain
    return f"{title_of(method)}{' (as now: a re-draw)' if is_redraw else ''}"


def _way_back(method: str, ground: Ground) -> str:
    was = ground.situation.team.method
    if method == was:
        return "A draw cannot be taken back: draw again, or put the heavy ones back where they were"
    return f"Put the former method back at the host ({title_of(was).lower() if was in WAYS else 'as written down'})"


def _owner(method: str, ground: Ground) -> str:
    if ground.is_vain:
        return ground.decider.owner
    return BOTH if WAYS[method].needs_bundle and ground.bundle != ROUTED else VIRTUALISATION


def _far_end(method: str, ground: Ground) -> tuple[str, ...]:
    return () if ground.bundle == ROUTED else WAYS[method].far_end


Foretold = tuple[str, bool | None, tuple[Chance, ...], tuple[str, ...]]


def _foretold(method: str, ground: Ground, refused: str) -> Foretold:
    """What to expect of a method, whether it fits for certain, its odds, and what is missing to say more."""
    if ground.loads.broken or len(ground.loads.members) < 2:
        return _nowhere(ground), None if ground.loads.broken else False, (), ()
    if ground.is_vain:
        return f"no change: {ground.decider.text}", False, (Chance(0.0),), ()
    asked = (ASK_BUNDLE,) if ground.bundle == UNKNOWN_BUNDLE else ()
    if method == "active-standby":
        return (*_standby(ground), asked)
    what = ground.dealt(method)
    if refused and not (WAYS[method].needs_bundle and ground.bundle == NONE):
        return "would not be safe, so no odds are given", None, (), ()
    expected, fits, chances = _placed(ground, what) if method == "load-aware" else _drawn(ground, what)
    return _conditional(method, ground, expected), fits, chances, (*asked, *what.missing)


def _nowhere(ground: Ground) -> str:
    if ground.loads.broken:
        return "nothing may be dealt anew while a member is broken"
    return "there is no second member that can take load"


def _conditional(method: str, ground: Ground, expected: str) -> str:
    is_not_there = WAYS[method].needs_bundle and ground.bundle == NONE
    return f"{expected}, if the far end had a matching bundle" if is_not_there else expected


def _drawn(ground: Ground, what: Dealt) -> tuple[str, bool | None, tuple[Chance, ...]]:
    cannot = hopeless.why_not(ground, what)
    if not what.weights_bps:
        return (f"cannot clear it: {cannot}", False, (Chance(0.0),)) if cannot else (_supposed(ground), None, ())
    chances = ground.chances(what)
    if cannot:
        return f"cannot clear it: {cannot}", False, chances
    return spoken.odds(chances, ground.loads.line), {0.0: False, 1.0: True}.get(chances[0].success), chances


def _placed(ground: Ground, what: Dealt) -> tuple[str, bool | None, tuple[Chance, ...]]:
    if not what.weights_bps:
        cannot = hopeless.why_not(ground, what)
        return (f"cannot clear it: {cannot}", False, (Chance(0.0),)) if cannot else (_NO_LOADS, None, ())
    if ground.situation.team.method == "load-aware":
        told = "it runs already and did not clear this, or could not; by what was read "
    else:
        told = ""
    placed = placing.by_load(ground, what)
    return f"{told}{placed.text} (simulated)", placed.fits, (Chance(float(placed.fits)),)


def _standby(ground: Ground) -> tuple[str, bool, tuple[Chance, ...]]:
    loads = ground.loads
    share = loads.total_bps / max(loads.capacity_bps)
    fits = share <= loads.line
    return f"the active member would be at {words.percent(share)}", fits, (Chance(float(fits)),)


def _supposed(ground: Ground) -> str:
    """What odds would be if the load of the team were so many alike items: an assumption, and said to be one."""
    loads = ground.loads
    if len(set(loads.capacity_bps)) > 1 or not loads.total_bps:
        return "unknown: nobody told of items"
    told = ", ".join(f"{count}: {spoken.chance(_alike(ground, count))}" for count in SUPPOSED)
    return f"unknown: nobody told of items; if the load were so many alike ones, {told}"


def _alike(ground: Ground, count: int) -> float:
    loads = ground.loads
    most = int(loads.line * loads.capacity_bps[0] * count / loads.total_bps + 1e-9)
    return float(at_most(count, len(loads.members), most))
