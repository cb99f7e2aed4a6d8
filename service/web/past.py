"""The past of the database for a replay, with what the settings and the inventory say of its ports."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from functools import partial

from sqlalchemy import Connection, Engine

from service.errors import ReplayRefused
from service.evaluation import Policy, declared
from service.evaluation.declared import Declared
from service.replaying import kept
from service.replaying.history import History
from service.replaying.judging import Trial
from service.replaying.kept import Choice, KeptSamples, KeptWindows, Setting
from service.replaying.ruling import Ruling
from service.storage import database, inventory
from service.terms import Layout, TeamName

HOUR_MS = 3_600_000


@dataclass(frozen=True)
class Kept:
    """A database, what the settings decide of it, and for how long it keeps samples."""

    engine: Engine
    policy: Policy
    now_ms: int
    samples_ms: int


def teams(past: Kept, devices: Collection[str]) -> tuple[TeamName, ...]:
    """The teams of all devices, or of those named."""
    with database.reading(past.engine) as connection:
        known = inventory.layout(connection).layout.teams
    return tuple(team for team in known if not devices or team.device in devices)


def histories(past: Kept, trial: Trial, devices: Collection[str]) -> Iterator[History]:
    """Windows as they were measured, where both rulings measure so; samples where they are still there.

    Raises
    ------
    ReplayRefused
        Where windows were measured otherwise, and samples are no longer kept.
    """
    wanted = teams(past, devices)
    if all(_is_measured_so(past, ruling, wanted) for ruling in (trial.present, trial.tried)):
        for placed in kept.placed_of(past.engine, Choice(devices, kept.TEAMS_OF_WINDOWS_AT_ONCE)):
            yield KeptWindows(past.engine, placed)
        return
    if trial.first_ms < past.now_ms - past.samples_ms:
        raise ReplayRefused(
            "windows were kept with another length or coverage than these rules ask for, and samples are kept for"
            f" {past.samples_ms // HOUR_MS} h only; begin later, or replay archives"
        )
    setting = setting_of(past)
    for placed in kept.placed_of(past.engine, Choice(devices)):
        yield KeptSamples(past.engine, placed, setting)


def setting_of(past: Kept) -> Setting:
    """What is set of ports now: speeds by the settings, roles and far ends by the inventory."""
    return Setting(past.policy.speeds, partial(_declared, policy=past.policy, now_ms=past.now_ms))


def _declared(connection: Connection, layout: Layout, *, policy: Policy, now_ms: int) -> Declared:
    return declared.of(connection, layout, policy, now_ms)


def _is_measured_so(past: Kept, ruling: Ruling, wanted: Collection[TeamName]) -> bool:
    if ruling.width_ms != past.policy.width_ms:
        return False
    then = (past.policy.rules_for(team.device, team.team).coverage_min for team in wanted)
    return all(rule.coverage_min == coverage for rule, coverage in zip(ruling.of(wanted), then, strict=True))
