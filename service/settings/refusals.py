"""From what the models could not take to refusals with key, line, reason and remedy; never the value of a secret."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from service.errors import ServiceError, WrongSetting
from service.settings.lines import Path, line_of

PREFIX = "LOPSIDE_"


class WrongSettings(ServiceError):
    """Several settings cannot be used, each told on a line of its own."""

    def __init__(self, refusals: tuple[WrongSetting, ...]) -> None:
        super().__init__("\n".join(str(refusal) for refusal in refusals))
        self.refusals = refusals


def refused(error: ValidationError, lines: Mapping[Path, int], environment: Mapping[str, str]) -> ServiceError:
    """What to raise in place of a model's error."""
    told = tuple(_refusal(details, lines, environment) for details in error.errors())
    return told[0] if len(told) == 1 else WrongSettings(told)


def _refusal(details: ErrorDetails, lines: Mapping[Path, int], environment: Mapping[str, str]) -> WrongSetting:
    context: dict[str, Any] = details.get("ctx", {})
    path: Path = details["loc"] + (tuple(_parts(context["key"])) if context.get("key") else ())
    why, remedy = _words(details, context)
    if variable := _variable(path, environment):
        return WrongSetting(variable, why, remedy)
    return WrongSetting(_written(path), why, remedy, line_of(lines, path))


def _parts(key: str) -> list[str | int]:
    return [int(part) if part.isdigit() else part for part in key.split(".")]


def _written(path: Path) -> str:
    """A key as people write it: `routes[0].url`."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "settings"


def _variable(path: Path, environment: Mapping[str, str]) -> str | None:
    """The environment variable that set a key; None where the file did."""
    names = {name.upper(): name for name in environment}
    for length in range(len(path), 0, -1):
        wanted = PREFIX + "__".join(str(part).upper() for part in path[:length])
        if wanted in names:
            return names[wanted]
    return None


def _words(details: ErrorDetails, context: Mapping[str, Any]) -> tuple[str, str]:
    if details["type"] == "refused":
        return context["why"], context["remedy"]
    if details["type"] == "extra_forbidden":
        return "there is no such setting", "mend its name, or take it out"
    if details["type"] == "missing":
        return "it is required and not given", "add it"
    # Messages of the models name the limit, never the value that was given.
    return details["msg"][0].lower() + details["msg"][1:], ""
