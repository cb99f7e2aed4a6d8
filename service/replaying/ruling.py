"""The rules that a history is judged by: one for most teams, and those that teams have of their own."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, replace

from service.errors import ReplayRefused, WrongQuestion
from service.rules.table import MOST_OF
from service.terms import Rule, TeamName

VALUES = tuple(field.name for field in fields(Rule) if field.name not in ("set_by", "because"))
ROLLUP_S = 300


@dataclass(frozen=True)
class Ruling:
    """The rule of every team: the general one, or its own by device and team."""

    general: Rule
    own: Mapping[tuple[str, str], Rule]

    @property
    def width_ms(self) -> int:
        """The length of a window, which is the same for all teams."""
        return self.general.window_seconds * 1000

    def of(self, teams: Iterable[TeamName]) -> tuple[Rule, ...]:
        """The rule of each team, in their order."""
        return tuple(self.own.get((team.device, team.team), self.general) for team in teams)

    def changed(self, values: Mapping[str, float]) -> Ruling:
        """The same with other values; where a team's own rule differs from the general one, its value stays.

        Raises
        ------
        WrongQuestion
            Where a value is unknown.
        ReplayRefused
            Where the values of a rule contradict each other.
        """
        _refuse_unknown(values)
        whole = {name: _of_its_kind(name, value) for name, value in values.items()}
        general = replace(self.general, **whole)  # type: ignore[arg-type]  # a field's own type, as made above
        own = {key: _own(rule, self.general, whole) for key, rule in self.own.items()}
        for rule in (general, *own.values()):
            _refuse_contradiction(rule)
        return Ruling(general, own)


def ruling_of(rules_for: Callable[[str, str], Rule], teams: Iterable[TeamName]) -> Ruling:
    """What the settings decide for these teams."""
    asked = {(team.device, team.team): rules_for(team.device, team.team) for team in teams}
    return Ruling(rules_for("", ""), {key: rule for key, rule in asked.items() if rule.set_by})


def _own(rule: Rule, general: Rule, values: Mapping[str, float]) -> Rule:
    same = {name: value for name, value in values.items() if getattr(rule, name) == getattr(general, name)}
    return replace(rule, **same)  # type: ignore[arg-type]  # as above


def _of_its_kind(name: str, value: float) -> float:
    return type(getattr(Rule(), name))(value)  # type: ignore[no-any-return]  # int or float, as the rule has it


def _refuse_unknown(values: Mapping[str, float]) -> None:
    for name in values:
        if name not in VALUES:
            raise WrongQuestion(name, f"is no value of a rule; there are {', '.join(VALUES)}")


def _refuse_contradiction(rule: Rule) -> None:
    if not 0 < rule.idle_below < rule.clear_below < rule.hot_above <= 1:
        lines = f"idle below {rule.idle_below:g}, clear below {rule.clear_below:g}, hot above {rule.hot_above:g}"
        raise ReplayRefused(f"{lines}: each must lie below the next, and the last not above 1")
    if not 1 <= rule.raise_windows <= rule.raise_of <= MOST_OF:
        asked = f"{rule.raise_windows} flagged windows of {rule.raise_of}"
        raise ReplayRefused(f"{asked}: at most as many as are looked at, and these at most {MOST_OF}")
    if rule.clear_windows < 1 or not 0 < rule.coverage_min <= 1:
        raise ReplayRefused("clear_windows is at least 1, coverage_min more than 0 and at most 1")
    if rule.window_seconds < 1 or ROLLUP_S % rule.window_seconds:
        raise ReplayRefused("window_seconds takes a divisor of 300, as 10, 15, 20, 30 or 60")
