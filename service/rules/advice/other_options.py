"""What can be done besides another method: nothing, more capacity, or mending how the team is built."""

from __future__ import annotations

from service.rules import words
from service.rules.advice import hopeless, spoken
from service.rules.advice.cautions import BACK_OUT_WHEN
from service.rules.advice.dealt import FEEDS_ON
from service.rules.advice.ground import Ground
from service.rules.advice.methods import title_of
from service.rules.advice.refusals import ONE_SIDE, refusal
from service.rules.diagnoses.deciding import BOTH, BUNDLED
from service.terms import Chance, Option


def leave(ground: Ground) -> Option:
    """What stays so if nobody does anything."""
    loads = ground.loads
    stays = bool(loads.members) and loads.busiest <= loads.line
    return Option(
        name="leave",
        title=title_of("leave"),
        expected=_as_it_is(ground),
        fits=stays,
        chances=() if loads.broken else (Chance(float(stays)),),
        risks=_harm(ground),
        back_out="Nothing to back out of.",
    )


def _as_it_is(ground: Ground) -> str:
    members = ground.loads.members
    if not members:
        return "as it is; no member is known that can take load"
    told = ", ".join(f"{member.port} at {words.percent(member.load_bps / member.capacity_bps)}" for member in members)
    return f"as it is while the load lasts: {told}"


def _harm(ground: Ground) -> tuple[str, ...]:
    ratio = ground.situation.finding.discard_ratio
    told = ["what shares the hot member waits, and loses frames once it is full"]
    if ratio is None:
        told.append("drops here are unknown: nobody counts them")
    elif ratio > 0:
        told.append(f"{ratio:.1e} of the frames were dropped in the worst window so far")
    return tuple(told)


def add_capacity(ground: Ground) -> Option:
    """Another member, or faster ones."""
    refused = refusal("add-capacity", ground.situation, ground.loads)
    expected, chances = ("unknown until the team is mended", ()) if refused else _more(ground)
    count = len(ground.situation.ports)
    return Option(
        name="add-capacity",
        title=title_of("add-capacity"),
        expected=expected,
        fits={0.0: False, 1.0: True}.get(chances[0].success) if chances else None,
        chances=chances,
        prerequisites=(
            "Host: a free port of the speed of the others, as equal dealing cannot fit unequal members",
            "Far end: a free port with the same networks, in the same bundle where there is one",
        ),
        risks=(
            f"one member more deals most anew: with plain modulo {count} of {count + 1} conversations move",
            "one conversation still never uses more than one member",
        ),
        back_out=f"Take the new member out again, first where it sends; back out at {BACK_OUT_WHEN}.",
        refused=refused,
        owner="planner",
    )


def _more(ground: Ground) -> tuple[str, tuple[Chance, ...]]:
    """What one more member of the fastest speed here would bring, or what speed it takes."""
    loads = ground.loads
    if not loads.members:
        return "no member is known to reckon from", ()
    what, speed = ground.dealt(_kind_of_draw(ground)), max(loads.capacity_bps)
    if what.largest > loads.line * speed:
        enough = hopeless.fast_enough(ground, what.largest)
        return (
            f"one more member of {words.rate(speed)} cannot help; a member of {enough} can carry the largest item",
            (),
        )
    if ground.is_full:
        needed = hopeless.members_needed(ground)
        return f"it takes {needed} members of {words.rate(speed)} in all to be calm evenly split", ()
    if not what.weights_bps:
        even = loads.total_bps / (sum(loads.capacity_bps) + speed)
        return f"evenly split all would be at {words.percent(even)} with one more member; odds need the items", ()
    chances = ground.chances(what, (speed,))
    return f"with one more member of {words.rate(speed)}: {spoken.odds(chances, loads.line)}", chances


def _kind_of_draw(ground: Ground) -> str:
    """The method in use where it draws, else the one that the far end allows."""
    method = ground.situation.team.method
    if ground.is_vain:
        return "far-end"
    if method in FEEDS_ON and method != "load-aware":
        return method
    return "layer4-tuple" if ground.bundle in BUNDLED else "virtual-port"


def mend(ground: Ground) -> Option:
    """What is built wrong or broken comes before anything else."""
    wrong = _wrong(ground)
    return Option(
        name="mend",
        title=title_of("mend"),
        expected="; ".join(wrong) if wrong else "nothing is known to be broken or built wrong",
        prerequisites=(
            "Host: look at state, errors and distribution of the member at this end",
            "Far end: look at the same member's state, networks and errors there",
        )
        if wrong
        else (),
        risks=("a member that comes back is dealt load at once: let it carry little first",) if wrong else (),
        back_out=f"Take the member out again; back out at {BACK_OUT_WHEN}." if wrong else "",
        owner=BOTH if wrong else "",
    )


def _wrong(ground: Ground) -> list[str]:
    loads = ground.loads
    told = [f"{port}: {why}; mend it before anything is dealt anew" for port, why in sorted(loads.broken.items())]
    told += [f"{port} {_is(why)}: with it back the team carries more" for port, why in sorted(loads.gone.items())]
    told += list(dict.fromkeys(one.build_error for one in ground.deciders if one.build_error))
    if ground.bundle == ONE_SIDE:
        told.append("only one side of the cables aggregates: make both ends alike")
    return told


def _is(why: str) -> str:
    return f"is {why}" if why == "down" else why
