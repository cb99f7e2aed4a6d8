"""Where the history of a replay comes from: counter files, a folder of archives, or the database."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from service import app
from service.app.parts import policy_of
from service.commands.group import database_of
from service.commands.judged import brought
from service.commands.readings import Reading
from service.errors import ReplayRefused
from service.replaying import archives
from service.replaying import brought as files
from service.replaying.history import DAY_MS, History
from service.replaying.judging import Trial
from service.replaying.kept import KeptSamples
from service.replaying.replay import Replay, replay
from service.replaying.ruling import VALUES, Ruling, ruling_of
from service.replaying.spreading import Spread, one_by_one
from service.rules.reaching import bounds_ms
from service.rules.table import MOST_OF
from service.settings.reading import Settings, rules_of
from service.terms import TeamName
from service.web import past
from service.web.parameters import milliseconds

DAYS = 7
Drawn = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Asked:
    """What was said on the command line; `speeds` in bit/s by "device/port"."""

    settings: Settings
    paths: tuple[Path, ...]
    tried: Mapping[str, float]
    against: Mapping[str, float]
    begin_ms: int | None
    end_ms: int | None
    devices: Collection[str]
    speeds: Mapping[str, int]
    reading: Reading

    def trial(self, teams: Iterable[TeamName], bounds: tuple[int, int]) -> Trial:
        """The rulings for these teams, and the time: what was said, within what there is."""
        present = ruling_of(self.settings.rule_of, teams).changed(self.against)
        first_ms, end_ms = self._within(bounds)
        if first_ms >= end_ms:
            raise ReplayRefused("there is no sample within that time; the time must begin before it ends")
        return Trial(present, present.changed(self.tried), first_ms, end_ms)

    def _within(self, bounds: tuple[int, int]) -> tuple[int, int]:
        first_ms, end_ms = bounds
        begin_ms = first_ms if self.begin_ms is None else max(first_ms, self.begin_ms)
        return begin_ms, end_ms if self.end_ms is None else min(end_ms, self.end_ms)

    @property
    def width_ms(self) -> int:
        """The length of the present windows, by which work is divided."""
        return int(self.against.get("window_seconds", self.settings.rules.window_seconds)) * 1000


@dataclass(frozen=True)
class Came:
    """What came of a replay, from where, and which lines could not be used."""

    replay: Replay
    source: str
    rejects: tuple[str, ...] = ()


def came_of(asked: Asked, spread: Spread, drawn: Drawn | None) -> Came:
    """Replay what was asked for."""

    def tell(done: int, whole: int) -> None:
        if drawn:
            drawn("replaying", done, whole)

    if not asked.paths:
        return _of_database(asked, spread, tell)
    if any(path.is_dir() for path in asked.paths):
        if len(asked.paths) > 1:
            raise ReplayRefused("one folder of archives is replayed at a time; name the folder alone")
        return _of_archives(asked, spread, tell)
    return _of_files(asked, spread, tell, drawn)


def _of_files(asked: Asked, spread: Spread, tell: Callable[[int, int], None], drawn: Drawn | None) -> Came:
    held = brought(asked.paths, asked.settings.rules.rule(), asked.reading, drawn, asked.speeds)
    speeds = {**asked.settings.speeds(), **held.speeds}
    part = files.only(held.parsed.samples, held.layout, asked.devices or held.layout.devices)
    trial = asked.trial(part.layout.teams, bounds_ms(held.parsed.samples))
    mine = files.histories(part.samples, held.parsed.facts, part.layout, asked.width_ms, speeds)
    done = replay(mine if part.layout.teams else (), trial, spread, tell)
    return Came(done, ", ".join(held.files), held.rejects_told())


def _of_archives(asked: Asked, spread: Spread, tell: Callable[[int, int], None]) -> Came:
    _refuse_for_files(asked, "archives")
    leaves = archives.leaves_of(asked.paths[0])
    mine = [one for one in archives.histories(leaves, asked.width_ms, asked.devices) if one.layout.teams]
    bounds = min(leaf.head.first_ms for leaf in leaves), max(leaf.head.last_ms for leaf in leaves)
    trial = asked.trial((team for one in mine for team in one.layout.teams), bounds)
    return Came(replay(mine, trial, spread, tell), f"{asked.paths[0]}, {len(leaves)} archives")


def _of_database(asked: Asked, spread: Spread, tell: Callable[[int, int], None]) -> Came:
    _refuse_for_files(asked, "the database")
    if spread is not one_by_one:
        raise ReplayRefused("the database is read by one process; for several write archives first: lopside archive")
    now_ms = app.now_ms()
    engine = database_of(asked.settings)
    policy = policy_of(asked.settings)
    bounds = now_ms - DAYS * DAY_MS if asked.begin_ms is None else asked.begin_ms, now_ms
    kept = past.Kept(engine, policy, now_ms, asked.settings.retention.samples_h * 3_600_000)
    trial = asked.trial(past.teams(kept, asked.devices), bounds)
    mine: list[History] = list(past.histories(kept, trial, asked.devices))
    what = "samples" if any(isinstance(one, KeptSamples) for one in mine) else "windows"
    return Came(replay(mine, trial, spread, tell), f"the database, its {what}")


def _refuse_for_files(asked: Asked, what: str) -> None:
    if asked.speeds:
        raise ReplayRefused(f"--speed is for counter files; {what} know what was set of each port")


def values_of(told: Sequence[str], option: str) -> dict[str, float]:
    """Values by name, from texts like hot_above=0.8, checked one by one like those of the settings."""
    values: dict[str, Any] = {}
    for text in told:
        name, equals, value = (part.strip() for part in text.partition("="))
        if not (equals and value and name in VALUES):
            raise click.BadParameter(f"{text!r} is not NAME=VALUE with one of {', '.join(VALUES)}", param_hint=option)
        values[name] = value
    return {name: getattr(rules_of(_beside(name) | {name: value}), name) for name, value in values.items()}


def _beside(name: str) -> dict[str, Any]:
    """Such other values that only what is wrong with this one by itself is refused.

    Whether values go together with those of the settings is told by the ruling that they make.
    """
    clear = 0.99 if name == "idle_below" else 0.02
    return {"idle_below": 0.01, "clear_below": clear, "hot_above": 1.0, "raise_windows": 1, "raise_of": MOST_OF}


def instant_of(text: str | None, option: str) -> int | None:
    """An instant as RFC 3339."""
    return milliseconds(option, text)


def ruling_words(ruling: Ruling) -> str:
    """The lines of the general rule, as people say them."""
    rule = ruling.general
    return (
        f"hot above {100 * rule.hot_above:g} %, idle below {100 * rule.idle_below:g} %,"
        f" {rule.raise_windows} of {rule.raise_of} windows of {rule.window_seconds} s"
    )
