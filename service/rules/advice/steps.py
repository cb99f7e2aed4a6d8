"""In which order a change is made, told to people: who does what at which end, never by which command."""

from __future__ import annotations

from service.rules.advice import spoken
from service.rules.advice.methods import WAYS, title_of
from service.rules.situation import Situation
from service.terms import Option

BLANK = "________"
SETTLE_MIN = 5  # nothing within it counts before or after a change


def of(option: Option, situation: Situation) -> tuple[str, ...]:
    """The steps, numbered."""
    told = (*_before(option, situation), *_change(option, situation), *_after(option, situation))
    return tuple(f"{number}. {step}" for number, step in enumerate(told, start=1))


def _before(option: Option, situation: Situation) -> tuple[str, ...]:
    return (
        "Both: tick every prerequisite at both ends, and write down how each end stands now.",
        *_kept(option),
        f"Both: tell whoever is on call; check the second way into {situation.finding.device}, not over this team.",
        "Both: look once more at the finding: if its members or figures have changed, ask for the advice again.",
        f"Both: start inside the approved window, from {BLANK} to {BLANK}, with the back-out written down.",
    )


def _kept(option: Option) -> tuple[str, ...]:
    """What is foretold, as far as anything is: of a repair there are no odds."""
    if option.name == "mend":
        return ()
    return (f"Both: keep the prediction{_foretold(option)} in this service before anything is touched; it stays so.",)


def _foretold(option: Option) -> str:
    """The odds; what was simulated or reckoned is no matter of chance."""
    if not option.chances or option.fits is not None:
        return ""
    return f", {spoken.chance(option.chances[0].success)},"


def _change(option: Option, situation: Situation) -> tuple[str, ...]:
    if option.name in WAYS:
        return _method(option, situation)
    return {"far-end": _FAR_END, "add-capacity": _CAPACITY, "mend": _MEND}[option.name]


def _method(option: Option, situation: Situation) -> tuple[str, ...]:
    finding, team = situation.finding, situation.team
    where = f"team {finding.team} of {finding.device}, this host alone"
    if option.name == team.method:
        return (
            f"Virtualisation: have what {where}, carries dealt anew once, in the way its vendor describes.",
            "Virtualisation: where that means moving or restarting machines, agree with their owners first.",
        )
    was = title_of(team.method).lower() if team.method in WAYS else "the method that was written down"
    if WAYS[option.name].needs_bundle:
        return (
            "Network: confirm that the far end's bundle holds exactly these members and that each takes part.",
            f"Virtualisation: change the method of {where}, from {was} to {title_of(option.name).lower()}.",
            "Network: confirm that every member still takes part and that no address moves between ports.",
        )
    return (
        "Network: confirm that the far end has no bundle over these ports, and the same networks on each.",
        f"Virtualisation: change the method of {where}, from {was} to {title_of(option.name).lower()}.",
        "Network: confirm that each address is seen on one port and stays there.",
    )


_FAR_END = (
    "Network: write down which other bundles the same hash serves, and tell their owners.",
    "Network: change the hash at the far end, on one device alone.",
    "Virtualisation: confirm that every member still receives.",
)
_CAPACITY = (
    "Network: make the new port ready with the networks of the others, not yet in use.",
    "Virtualisation: connect it, and confirm that it is up at its full speed, sound, and answered.",
    "Both: take it into the team at both ends in the same window; what is carried is dealt anew then.",
)
_MEND = (
    "Both: agree who looks at which end; compare state, networks, partner and errors of the member at both ends.",
    "Both: take the member out of use at both ends before cable, optics or settings are touched.",
    "Both: mend it, and confirm unicast both ways and no new errors while it carries little.",
    "Both: let it take part again at both ends in the same window.",
)


def _after(option: Option, situation: Situation) -> tuple[str, ...]:
    minutes = 2 * situation.rule.window_seconds / 60
    told = (
        "Whoever did it: record the change in this service with its time, who, what and reference"
        f" (settle time {SETTLE_MIN} min).",
        f"Both: watch every member for {minutes:g} min at least, and longer while it settles; see when to stop.",
    )
    if option.name == "mend":
        return (*told, "Both: ask for the advice again: what is uneven then may be another matter.")
    return (
        *told,
        "Both: leave other hosts as they are until the verdict on this one; 'cannot tell yet' means wait.",
    )
