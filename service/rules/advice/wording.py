"""Advice in one line, for a message that somebody reads at night."""

from __future__ import annotations

from collections.abc import Mapping

from service.rules import words
from service.rules.advice import hopeless, placing, spoken
from service.rules.advice.dealt import ONE
from service.rules.advice.ground import Ground
from service.rules.advice.refusals import NONE
from service.terms import Option

MOST_LETTERS = 220
SHORT = {
    "layer4-tuple": "layer-4",
    "ip-pair": "address pairs",
    "virtual-port": "virtual port",
    "source-mac": "source MAC",
}
CLEARLY_BETTER = 0.05


def line(ground: Ground, options: Mapping[str, Option]) -> str:
    """What would help and with what odds; where nothing would, that; at most MOST_LETTERS letters."""
    told = _first(ground) or _odds(ground, options)
    return told if len(told) <= MOST_LETTERS else f"{told[: MOST_LETTERS - 3].rstrip()}..."


def _first(ground: Ground) -> str:
    """What makes odds idle: a broken member, a full team, one large item, somebody else's choice; else empty."""
    loads = ground.loads
    if loads.broken:
        return f"Mend {words.listed(sorted(loads.broken))} first, and move no load there before."
    if loads.gone and (len(loads.members) < 2 or ground.situation.finding.family == "build"):
        return f"Bring {words.listed(sorted(loads.gone))} back first; no method replaces a member."
    if len(loads.members) < 2:
        return "No second member can take load: repair or capacity first; no method helps."
    if ground.is_full:
        return (
            f"Capacity first: evenly split all would be at {words.percent(loads.even_split or 0.0)};"
            f" no method helps. It takes {hopeless.members_needed(ground)} members of this speed."
        )
    what = ground.dealt("far-end" if ground.is_vain else "layer4-tuple")
    if what.largest > loads.line * max(loads.capacity_bps):
        item = "one conversation" if any(d.name == ONE for d in ground.diagnoses) else "one item"
        return (
            f"No method helps: {item} carries {words.rate(what.largest)} and cannot be spread."
            " Split it at its source, shape or schedule it, or use a faster member."
        )
    return ""


def _odds(ground: Ground, options: Mapping[str, Option]) -> str:
    if ground.is_vain:
        return _elsewhere(ground, options["far-end"])
    if ground.decider.build_error:
        return "Mend the build first: method and far end do not go together; both ends must agree."
    ask = "" if ground.bundle else " Ask first whether the far end bundles these ports."
    told = [*_by_load(ground, options), *_redraw(ground, options), *_finer(options)]
    if told:
        text = "; ".join(told)
        return f"{text[:1].upper()}{text[1:]}.{ask}"
    if any(option.chances for name, option in options.items() if name in SHORT):
        return f"No method clears it with what is known: capacity, or more and smaller items.{ask}"
    return f"What would help is unknown: virtual-port counters or conversation records would give odds.{ask}"


def _elsewhere(ground: Ground, far_end: Option) -> str:
    chance = f" (another hash there: {spoken.chance(far_end.chances[0].success)})" if far_end.chances else ""
    by = "last router" if ground.decider.by == "router" else "far end"
    return f"The {by} chooses ingress members: changing the host's method will not change this. Ask network{chance}."


def _by_load(ground: Ground, options: Mapping[str, Option]) -> list[str]:
    option = options["load-aware"]
    if option.refused or not option.fits or ground.situation.team.method == "load-aware":
        return []
    splits = placing.by_load(ground, ground.dealt("load-aware")).splits
    unsure = "" if ground.bundle == NONE else " if the far end has no bundle"
    return [f"load-aware placement would clear it{f' ({splits})' if splits else ''}{unsure}"]


def _redraw(ground: Ground, options: Mapping[str, Option]) -> list[str]:
    """A plain re-draw by the method in use, or by the first that may be used."""
    names = sorted(SHORT, key=lambda name: (name != ground.situation.team.method, name != "virtual-port"))
    known = [options[name] for name in names if options[name].chances and not options[name].refused]
    if not any(_success(option) for option in known):
        return []
    first, *others = known
    told = [f"a plain re-draw has a chance of {spoken.chance(first.chances[0].success)}"]
    better = max(others, key=_success, default=first)
    if _success(better) > _success(first) + CLEARLY_BETTER:
        told.append(f"{SHORT[better.name]} {spoken.chance(_success(better))}")
    return told


def _finer(options: Mapping[str, Option]) -> list[str]:
    """Finer grain that would help much more, but only once the far end has a bundle."""
    allowed = max((_success(o) for n, o in options.items() if n in SHORT and not o.refused), default=0.0)
    option = options["layer4-tuple"]
    if not option.refused or _success(option) <= allowed + CLEARLY_BETTER:
        return []
    return [f"layer-4 {spoken.chance(_success(option))}, but only with a bundle at the far end"]


def _success(option: Option) -> float:
    return option.chances[0].success if option.chances else 0.0
