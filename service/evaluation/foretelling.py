"""Foretelling what a change will do, before it is made: kept with what it rests on, and never edited."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection

from service.errors import WrongQuestion, WrongState
from service.evaluation import advising
from service.evaluation.plan import Policy
from service.numerics.odds import chances
from service.rules.verdicts.scores import Foretold, Score, came_true, score
from service.storage import audit, changes, findings, inventory, predictions
from service.terms import Chance, Option, Prediction


@dataclass(frozen=True)
class Drawn:
    """What odds are drawn from: rates of items and links in bit/s, what links carry besides, and the hot line."""

    items_bps: tuple[float, ...]
    links_bps: tuple[float, ...]
    background_bps: tuple[float, ...] = ()
    line: float = 0.75


@dataclass(frozen=True)
class Told:
    """What somebody foretells of a team and direction: the chance itself, what to draw it from, or a finding's advice.

    `later_change` says that it is about a change still to come, though one of the same team awaits its verdict.
    """

    device: str
    team: str
    direction: str
    option: str
    success: float | None = None
    drawn: Drawn | None = None
    seed: int = 1
    finding_id: str = ""
    text: str = ""
    later_change: bool = False


@dataclass(frozen=True)
class _Reckoned:
    """A chance and what it rests on."""

    success: float
    inputs: dict[str, Any]


def foretell(connection: Connection, told: Told, by: str, policy: Policy, now_ms: int) -> Prediction:
    """Keep a prediction.

    Raises
    ------
    NotFound
        The team or finding is not known.
    WrongState
        A change of the team is made already and awaits its verdict: what is foretold now would be hindsight. Or
        there is nothing to reckon a chance from.
    """
    team_id = inventory.team_named(connection, told.device, told.team)
    inventory.hold_decided(connection, [team_id])
    if not told.later_change:
        _refuse_hindsight(connection, team_id, told.direction)
    rule = policy.rules_for(told.device, told.team)
    reckoned = _reckoned(connection, told, policy, now_ms)
    prediction = Prediction(
        id=f"p{secrets.token_hex(10)}",
        team_id=team_id,
        direction=told.direction,
        option=told.option,
        success=reckoned.success,
        made_ms=now_ms,
        made_by=by,
        seed=told.seed,
        text=told.text,
        inputs={"line": rule.hot_above} | reckoned.inputs,
        finding_id=told.finding_id,
    )
    predictions.keep(connection, prediction)
    details = {"option": told.option, "success": prediction.success, "direction": told.direction}
    audit.note(connection, now_ms, by, "prediction.make", prediction.id, details)
    return prediction


def _refuse_hindsight(connection: Connection, team_id: int, direction: str) -> None:
    for seen in changes.of_teams(connection, [team_id]):
        if seen.line.direction == direction and not seen.line.final:
            raise WrongState(
                f"change {seen.change.id} of this team is made already and awaits its verdict, so this would be"
                " hindsight; say later_change where it is about a change that is still to come"
            )


def _reckoned(connection: Connection, told: Told, policy: Policy, now_ms: int) -> _Reckoned:
    """The chance as it is stated, as it is drawn here, or as the finding's advice gives it: the first that is told."""
    drawn = asdict(told.drawn) if told.drawn else {}
    if told.success is not None:
        return _Reckoned(told.success, drawn | {"stated": True})
    if told.drawn is not None:
        return _Reckoned(_of_draw(told.drawn, told.seed), drawn)
    if told.finding_id:
        return _of_advice(connection, told, policy, now_ms)
    raise WrongState("nothing says how likely it is: give success, inputs to draw it from, or finding_id")


def _of_draw(drawn: Drawn, seed: int) -> float:
    background = drawn.background_bps or (0.0,) * len(drawn.links_bps)
    try:
        (chance,) = chances(drawn.items_bps, drawn.links_bps, background, drawn.line, demands=(1.0,), seed=seed)
    except WrongQuestion as wrong:
        raise WrongState(f"inputs.{wrong}") from wrong
    return chance.success


def _of_advice(connection: Connection, told: Told, policy: Policy, now_ms: int) -> _Reckoned:
    finding = findings.one(connection, told.finding_id).finding
    if (finding.device, finding.team, finding.direction) != (told.device, told.team, told.direction):
        raise WrongState(f"finding {told.finding_id} is of {finding.device} {finding.team} {finding.direction}")
    advice = advising.of_finding(connection, told.finding_id, policy, now_ms)
    option = next((one for one in advice.options if one.name == told.option), None)
    if option is None:
        names = ", ".join(one.name for one in advice.options)
        raise WrongState(f"the advice for this finding has no option {told.option!r}; it has {names}")
    inputs = {"rests_on": list(advice.rests_on), "chances": _as_told(option.chances), "expected": option.expected}
    return _Reckoned(_success(option), inputs)


def _success(option: Option) -> float:
    if option.refused:
        raise WrongState(f"{option.name} must not be done: {option.refused}")
    if option.chances:
        return option.chances[0].success
    if option.fits is None:
        raise WrongState(
            f"nobody can know the odds of {option.name} yet: {'; '.join(option.missing) or option.expected}"
        )
    return float(option.fits)


def _as_told(told: Sequence[Chance]) -> list[dict[str, Any]]:
    return [asdict(chance) for chance in told]


def score_of(connection: Connection) -> Score:
    """How well all that was foretold came true, as far as verdicts are final."""
    told = []
    for came in predictions.come(connection):
        outcome = came_true(came.verdict, came.prediction.inputs.get("line", 0.75))
        if outcome is not None:
            told.append(Foretold(came.prediction.success, outcome))
    return score(told)
