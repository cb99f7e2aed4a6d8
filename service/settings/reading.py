"""Reading the settings: one file, then the environment over it, then what they refer to."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path as FilePath
from typing import Any, Self
from urllib.parse import urlsplit

from pydantic import PrivateAttr, ValidationError, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, SettingsError

from service.errors import WrongSetting
from service.feeds.limits import IngestLimits
from service.feeds.mapping import Mapping as ExportMapping
from service.settings import sections
from service.settings.collecting import Agent, Collection, Credentials, check_agents
from service.settings.lines import Path, line_of, lines_of
from service.settings.mappings import Mapping as MappingSection
from service.settings.people import People
from service.settings.recording import Exporter, Records, check_exporters
from service.settings.refusals import PREFIX, refused
from service.settings.sections import refusal
from service.terms import Rule, TeamName

# Read by the commands themselves, before there are settings.
OF_THE_COMMANDS = frozenset({"LOPSIDE_SETTINGS"})


class Settings(BaseSettings):
    """Everything that file and environment decide, checked."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", extra="forbid", frozen=True, hide_input_in_errors=True
    )

    server: sections.Server = sections.Server()
    database: sections.Database = sections.Database()
    rules: sections.Rules = sections.Rules()
    teams: tuple[sections.Team, ...] = ()
    ports: tuple[sections.Port, ...] = ()
    routes: tuple[sections.Route, ...] = ()
    mappings: tuple[MappingSection, ...] = ()
    collection: Collection = Collection()
    credentials: tuple[Credentials, ...] = ()
    agents: tuple[Agent, ...] = ()
    records: Records = Records()
    exporters: tuple[Exporter, ...] = ()
    ingest: sections.Ingest = sections.Ingest()
    lateness: sections.Lateness = sections.Lateness()
    retention: sections.Retention = sections.Retention()
    verdicts: sections.Verdicts = sections.Verdicts()
    keys: sections.Keys = sections.Keys()
    people: People = People()

    _lines: Mapping[Path, int] = PrivateAttr(default_factory=dict)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The environment wins over what the file said."""
        return env_settings, init_settings

    @model_validator(mode="after")
    def _names_each_team_once(self) -> Self:
        _each_once("team", [(team.device, team.team) for team in self.teams])
        return self

    @model_validator(mode="after")
    def _names_each_port_once(self) -> Self:
        _each_once("port", [(port.device, port.port) for port in self.ports])
        return self

    @model_validator(mode="after")
    def _names_each_route_and_mapping_once(self) -> Self:
        for kind, named in (("route", self.routes), ("mapping", self.mappings)):
            names = [one.name for one in named]
            for at, name in enumerate(names):
                if name in names[:at]:
                    raise refusal(f"another {kind} is called {name!r}", "call it otherwise", f"{kind}s.{at}.name")
        return self

    @model_validator(mode="after")
    def _passes_messages_on_to_routes_that_are_there(self) -> Self:
        names = {route.name for route in self.routes}
        for at, route in enumerate(self.routes):
            for key in ("unanswered_to", "unheard_to"):
                if (other := getattr(route, key)) and other not in names:
                    raise refusal(f"no route is called {other!r}", "name one of [[routes]]", f"routes.{at}.{key}")
        return self

    @model_validator(mode="after")
    def _names_each_agent_once(self) -> Self:
        check_agents(self.credentials, self.agents)
        return self

    @model_validator(mode="after")
    def _names_each_exporter_once(self) -> Self:
        check_exporters(self.exporters)
        return self

    @model_validator(mode="after")
    def _has_teams_whose_rules_agree(self) -> Self:
        for at, team in enumerate(self.teams):
            merged = self.rules.model_copy(update=team.own_values())
            for found in sections.disagreements(merged):
                context = found.context or {}
                raise refusal(context["why"], context["remedy"], f"teams.{at}.{context['key']}")
        return self

    def line_of(self, *path: str | int) -> int | None:
        """The line of the file that holds a key, or the section that it belongs to."""
        return line_of(self._lines, path)

    def rule_of(self, device: str, team: str) -> Rule:
        """The rule that applies to a team: the general one, or its own with who set it and why."""
        for own in self.teams:
            if (own.device, own.team) == (device, team) and own.own_values():
                merged = self.rules.model_copy(update=own.own_values())
                return Rule(**merged.model_dump(), set_by=own.set_by, because=own.because)
        return self.rules.rule()

    def mapping_of(self, name: str) -> ExportMapping:
        """How exports are read that a mapping describes; WrongSetting where there is none of that name."""
        for own in self.mappings:
            if own.name == name:
                return own.mapping()
        known = ", ".join(own.name for own in self.mappings) or "none"
        raise WrongSetting("mappings", f"there is no mapping {name!r}", f"add it, or name one that is there: {known}")

    def speeds(self) -> dict[tuple[str, str], int]:
        """The speeds in bit/s that an operator set, by device and port."""
        return {(port.device, port.port): port.speed_bps for port in self.ports}

    def declared(self) -> tuple[TeamName, ...]:
        """What is known of teams beyond what their samples tell."""
        return tuple(
            TeamName(own.device, own.team, own.method or "unknown", own.bundle or "")
            for own in self.teams
            if own.method or own.bundle
        )

    def limits(self) -> IngestLimits:
        """How much a push may hold; what is older than samples are kept is not taken."""
        return IngestLimits(
            max_octets=self.ingest.max_unpacked_bytes,
            max_samples=self.ingest.max_samples,
            future_ms=self.ingest.future_s * 1000,
            retention_ms=self.retention.samples_h * 3_600_000,
        )


def _each_once(kind: str, named: Sequence[tuple[str, str]]) -> None:
    """Refuse a second entry for a device's team or port."""
    seen: set[tuple[str, str]] = set()
    for at, (device, name) in enumerate(named):
        if (device, name) in seen:
            what = f"device {device!r}, {kind} {name!r} has an entry already"
            raise refusal(what, "keep one", f"{kind}s.{at}.{kind}")
        seen.add((device, name))


def read(file: FilePath | None) -> Settings:
    """The settings of a file and of the environment over it; the defaults where no file is named."""
    text = _text(file) if file else ""
    told, lines = _parsed(text, file), lines_of(text)
    _refuse_written_password(told, lines)
    return settled(told, lines)


def settled(told: Mapping[str, Any], lines: Mapping[Path, int] | None = None) -> Settings:
    """The settings that a file's tables and the environment make, or a refusal with key, line, reason and remedy."""
    _refuse_unknown_variables(told)
    try:
        settings = Settings(**told)
    except ValidationError as error:
        raise refused(error, lines or {}, os.environ) from None  # the cause would show what was given
    except SettingsError as error:
        raise WrongSetting(PREFIX + "...", str(error), "write lists and tables as JSON") from None
    settings._lines = lines or {}
    return settings


def rules_of(told: Mapping[str, Any]) -> sections.Rules:
    """The rule values of a command line, refused like those of a file."""
    try:
        return sections.Rules(**told)
    except ValidationError as error:
        raise refused(error, {}, {}) from None


def mapping_told(told: Mapping[str, Any]) -> ExportMapping:
    """The mapping of a command line, refused like one of a file."""
    try:
        return MappingSection(**told).mapping()
    except ValidationError as error:
        raise refused(error, {}, {}) from None


def _text(file: FilePath) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except FileNotFoundError as missing:
        raise WrongSetting(
            "settings", f"there is no file {file}", "name one that is there, or leave --settings out for the defaults"
        ) from missing
    except (OSError, UnicodeDecodeError) as wrong:
        raise WrongSetting("settings", f"{file} cannot be read: {wrong}", "it must be a file of UTF-8 text") from wrong


def _parsed(text: str, file: FilePath | None) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as wrong:
        raise WrongSetting("settings", f"{file} is not TOML: {wrong}", "mend that line") from None


def _refuse_written_password(told: Mapping[str, Any], lines: Mapping[Path, int]) -> None:
    database = told.get("database")
    url = database.get("url") if isinstance(database, Mapping) else None
    if isinstance(url, str) and _has_password(url):
        raise WrongSetting(
            "database.url",
            "a password must not stand in the settings",
            f"take it out and name it: password_env or password_file; or set {PREFIX}DATABASE__URL",
            line_of(lines, ("database", "url")),
        )


def _has_password(url: str) -> bool:
    try:
        return urlsplit(url).password is not None
    except ValueError:  # no URL at all, which is told elsewhere
        return False


def _refuse_unknown_variables(told: Mapping[str, Any]) -> None:
    # A misspelt variable would otherwise be ignored without a word.
    known = OF_THE_COMMANDS | _referred_to(told)
    for name in sorted(os.environ):
        section = name.upper().removeprefix(PREFIX).split("__")[0].lower()
        if name.upper().startswith(PREFIX) and name not in known and section not in Settings.model_fields:
            raise WrongSetting(
                name,
                "there is no such setting",
                f"write it like {PREFIX}SERVER__PORT, with a section among {', '.join(Settings.model_fields)}",
            )


def _referred_to(told: Any) -> frozenset[str]:
    """Names of variables that hold secrets the file refers to."""
    if isinstance(told, Mapping):
        names = (_names(value) if key.endswith("_env") else _referred_to(value) for key, value in told.items())
    elif isinstance(told, (list, tuple)):
        names = (_referred_to(value) for value in told)
    else:
        return frozenset()
    return frozenset().union(*names)


def _names(value: Any) -> frozenset[str]:
    given = value if isinstance(value, list) else [value]
    return frozenset(name for name in given if isinstance(name, str))
