"""A replay: errands done by whoever does them, and what they found put side by side. Nothing is written or told."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from service.errors import ReplayRefused
from service.replaying.comparing import Comparison, compared
from service.replaying.history import History
from service.replaying.judging import Errand, Outcome, Trial
from service.replaying.spreading import Spread, one_by_one

Progress = Callable[[int, int], None]  # errands done, errands in all


@dataclass(frozen=True)
class Replay:
    """What came of it; windows are those of teams in one direction, under the present rules."""

    trial: Trial
    comparison: Comparison
    teams: int
    windows: int
    evaluable: int


def replay(
    histories: Iterable[History], trial: Trial, spread: Spread = one_by_one, progress: Progress | None = None
) -> Replay:
    """Judge histories under both rulings of a trial.

    Raises
    ------
    ReplayRefused
        Where there is nothing to judge, or an errand could not be done: half an answer would mislead.
    """
    errands = [Errand(history, trial) for history in histories]
    if not errands:
        raise ReplayRefused("there is no team to judge; name other devices, or none")
    outcomes = []
    for outcome in spread(errands):
        if outcome.refused:
            raise ReplayRefused(outcome.refused)
        outcomes.append(outcome)
        if progress:
            progress(len(outcomes), len(errands))
    return _together(trial, outcomes)


def _together(trial: Trial, outcomes: Sequence[Outcome]) -> Replay:
    present = [finding for outcome in outcomes for finding in outcome.present]
    tried = [finding for outcome in outcomes for finding in outcome.tried]
    return Replay(
        trial,
        compared(present, tried),
        sum(outcome.teams for outcome in outcomes),
        sum(outcome.windows for outcome in outcomes),
        sum(outcome.evaluable for outcome in outcomes),
    )
