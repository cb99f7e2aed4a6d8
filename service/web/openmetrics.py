"""Metrics as text in the form of OpenMetrics 1.0."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

MEDIA_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
Labels = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Family:
    """Figures of one name, without its unit, by their labels."""

    name: str
    kind: Literal["counter", "gauge"]
    help: str
    figures: Mapping[Labels, float]
    unit: str = ""

    @property
    def full_name(self) -> str:
        """The name as the specification wants it: with the unit at its end."""
        return f"{self.name}_{self.unit}" if self.unit else self.name


def written(families: Iterable[Family]) -> str:
    """The exposition, with its end marked so that one that was cut off shows."""
    return "".join(line + "\n" for family in families if family.figures for line in _lines(family)) + "# EOF\n"


def _lines(family: Family) -> list[str]:
    name = family.full_name
    sample = f"{name}_total" if family.kind == "counter" else name
    unit = [f"# UNIT {name} {family.unit}"] if family.unit else []
    told = [f"{sample}{_written(labels)} {figure}" for labels, figure in family.figures.items()]
    return [f"# TYPE {name} {family.kind}", *unit, f"# HELP {name} {_escaped(family.help)}", *told]


def _written(labels: Labels) -> str:
    told = ",".join(f'{name}="{_escaped(value)}"' for name, value in labels)
    return f"{{{told}}}" if told else ""


def _escaped(text: str) -> str:
    return text.replace("\\", r"\\").replace("\n", r"\n").replace('"', r"\"")
