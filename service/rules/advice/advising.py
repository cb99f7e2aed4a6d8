"""Everything that could be done about a finding, side by side, with the odds of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from service.rules import words
from service.rules.advice import method_options, other_options, placing, wording
from service.rules.advice.cautions import CAUTIONS
from service.rules.advice.dealt import Dealt
from service.rules.advice.ground import Ground
from service.rules.advice.loads import loads_of
from service.rules.advice.methods import WAYS
from service.rules.diagnoses.deciding import decider, is_routed
from service.rules.diagnoses.diagnosing import diagnosed
from service.rules.situation import Situation
from service.terms import DIRECTIONS, Advice, Decider, Diagnosis, Option

NONE_TOLD: Mapping[str, int] = MappingProxyType({})


def advised(
    situation: Situation,
    *,
    diagnoses: Sequence[Diagnosis] | None = None,
    streams: Mapping[str, int] = NONE_TOLD,
    seed: int = 1,
) -> Advice:
    """What could be done about a finding, and with what chance.

    Parameters
    ----------
    diagnoses : sequence of Diagnosis, optional
        What explains the finding; where none are handed in, those of the finding, or found anew.
    streams : mapping of item name to count
        Into how many alike, parallel conversations somebody can split an item.
    seed : int
        Of draws, where there are too many placements to count.
    """
    ground = grounds(situation, diagnoses, streams, seed)
    options = {option.name: option for option in _options(ground)}
    what = _whole_items(ground)
    return Advice(
        finding_id=situation.finding.id,
        line=wording.line(ground, options),
        options=tuple(options.values()),
        deciders=ground.deciders,
        rests_on=_rests_on(ground, what),
        reachable=None if ground.loads.broken else placing.reachable(ground, what),
        even_split=None if ground.loads.broken else ground.loads.even_split,
        cautions=CAUTIONS,
        warnings=_warnings(ground),
    )


def grounds(
    situation: Situation,
    diagnoses: Sequence[Diagnosis] | None = None,
    streams: Mapping[str, int] = NONE_TOLD,
    seed: int = 1,
) -> Ground:
    """What the advice stands on."""
    found = (situation.finding.diagnoses or diagnosed(situation)) if diagnoses is None else tuple(diagnoses)
    return Ground(situation, loads_of(situation, found), found, deciders(situation), streams, seed)


def deciders(situation: Situation) -> tuple[Decider, ...]:
    """Who decides, egress first."""
    far = [end.device for end in situation.far_ends]
    routed = is_routed(situation.team, situation.ports)
    return tuple(
        decider(situation.team, direction, situation.states, routed=routed, far_devices=far) for direction in DIRECTIONS
    )


def _options(ground: Ground) -> list[Option]:
    methods = [method_options.of_method(method, ground) for method in WAYS]
    elsewhere = [method_options.of_far_end(ground)] if ground.is_vain else []
    return [
        other_options.leave(ground),
        *methods,
        *elsewhere,
        other_options.add_capacity(ground),
        other_options.mend(ground),
    ]


def _whole_items(ground: Ground) -> Dealt:
    """The items as they are placed whole: virtual ports where somebody told of them."""
    return ground.dealt("far-end" if ground.is_vain else "virtual-port") if ground.loads.members else Dealt()


def _rests_on(ground: Ground, what: Dealt) -> tuple[str, ...]:
    loads = ground.loads
    told = ", ".join(f"{m.port} {words.rate(m.load_bps)} of {words.rate(m.capacity_bps)}" for m in loads.members)
    finest = ground.dealt("layer4-tuple") if loads.members else what
    items = dict.fromkeys((*what.rests_on, *finest.rests_on))
    model = "each item lands on a member by chance, whatever its size, and stays: one change is one draw"
    return (*((f"mean loads while it lasted: {told}",) if told else ()), *items, *((model,) if items else ()))


def _warnings(ground: Ground) -> tuple[str, ...]:
    told = []
    if ground.loads.broken:
        told.append(f"Do not move load to {words.listed(sorted(ground.loads.broken))}: mend first.")
    if ground.loads.is_squeezed:
        told.append(
            "Conversations are squeezed: a member at its ceiling carries less than is wanted, and each may grow after"
            " a change. Odds are given for half as much again and for twice the demand too."
        )
    lost = ground.loads.one_lost
    if lost is not None and lost > ground.loads.line and not ground.loads.broken:
        told.append(f"However it is dealt, with one member lost the rest would be at {words.percent(lost)}.")
    if ground.is_full and ground.loads.members:
        told.append("Capacity first: even the even split lies above the line below which a team is calm.")
    return tuple(told)
