"""What to believe of a port's team and role, once people and devices have spoken."""

from __future__ import annotations

from collections.abc import Sequence

from service.terms import DECLARED, DISCOVERED, ROLE_WORDS, Claim, Reconciled, Role


def reconciled(claims: Sequence[Claim]) -> tuple[Reconciled, ...]:
    """What is believed of each port that is spoken of, in the order in which it is first spoken of.

    A declaration that overrides is believed in what it says; else the device, where it says
    anything of the port; else the declaration. Of two claims of one kind the later counts.

    Source: this project's rule.

    Examples
    --------
    >>> people = Claim("sm-07", "up2", "declared", "front", Role.STANDBY)
    >>> device = Claim("sm-07", "up2", "discovered", "front", Role.ACTIVE)
    >>> (believed,) = reconciled([people, device])
    >>> believed.role.name, believed.conflict
    ('ACTIVE', 'declared standby, its device says active: the device is believed')
    """
    voices: dict[tuple[str, str], dict[str, Claim]] = {}
    for claim in claims:
        said_by = DECLARED if claim.said_by == DECLARED else DISCOVERED
        voices.setdefault((claim.device, claim.port), {})[said_by] = claim
    return tuple(_believed(said.get(DECLARED), said.get(DISCOVERED)) for said in voices.values())


def _believed(declared: Claim | None, discovered: Claim | None) -> Reconciled:
    said = discovered or declared
    if said is None:
        raise ValueError("a port of which nobody speaks cannot be reconciled")
    place = (said.device, said.port)
    if declared is None or discovered is None:
        team = "" if said.aggregate_of else said.team
        return Reconciled(*place, team, said.role, declared, discovered)
    team, role = _of_both(declared, discovered)
    return Reconciled(*place, team, role, declared, discovered, _conflict(declared, discovered))


def _of_both(declared: Claim, discovered: Claim) -> tuple[str, Role]:
    if discovered.aggregate_of:  # it carries its members' traffic once more, whatever anybody declares
        return "", discovered.role
    first, second = (declared, discovered) if declared.override else (discovered, declared)
    # An empty team is "in none" where a device says it, and nothing said where people do.
    team = (declared.team or discovered.team) if declared.override else discovered.team
    role = first.role
    if role == Role.NOT_TOLD and second.team in {"", team}:
        role = second.role
    return team, role


def _conflict(declared: Claim, discovered: Claim) -> str:
    if discovered.aggregate_of:
        if not declared.team:
            return ""
        return (
            f"declared in team {declared.team}, its device says that it is the interface of team"
            f" {discovered.aggregate_of} itself: it is never a member"
        )
    differences = [*_teams(declared, discovered), *_roles(declared, discovered)]
    if not differences:
        return ""
    whom = "the declaration overrides and is believed" if declared.override else "the device is believed"
    return f"{'; '.join(differences)}: {whom}"


def _teams(declared: Claim, discovered: Claim) -> list[str]:
    if not declared.team or declared.team == discovered.team:
        return []
    there = f"in team {discovered.team}" if discovered.team else "in no team"
    return [f"declared in team {declared.team}, its device says {there}"]


def _roles(declared: Claim, discovered: Claim) -> list[str]:
    if Role.NOT_TOLD in {declared.role, discovered.role} or declared.role == discovered.role:
        return []
    return [f"declared {ROLE_WORDS[declared.role]}, its device says {ROLE_WORDS[discovered.role]}"]
