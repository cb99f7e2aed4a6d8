"""The section of the settings that says how exports of averages are to be read."""

from __future__ import annotations

from collections.abc import Mapping as Told
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, model_validator

from service.feeds import mapping
from service.settings.sections import SPEEDS, Number, Section, is_speed, refusal


def _some(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


class Series(Section):
    """One column of a wide file."""

    column: str
    port: str
    direction: str
    speed_bps: Annotated[int, Number] = 0
    device: str = ""
    team: str = ""


class Mapping(Section):
    """Which columns of an export mean what, in which unit, over which interval."""

    name: str = Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")
    unit: str
    time_column: str
    interval_s: Annotated[int, Number]
    form: str = mapping.RATE
    kilo: Annotated[int, Number] = 1000
    stamped: str = "end"
    zone: str = ""
    time_format: str = ""
    delimiter: str = ","
    decimal: str = "."
    skip_lines: Annotated[int, Number] = 0
    missing: Annotated[tuple[str, ...], BeforeValidator(_some)] = ("",)
    device: str = ""
    device_column: str = ""
    team: str = ""
    team_column: str = ""
    port_column: str = ""
    in_column: str = ""
    out_column: str = ""
    speed_bps: Annotated[int, Number] = 0
    series: tuple[Series, ...] = ()
    vantage: str = mapping.OWN

    @model_validator(mode="before")
    @classmethod
    def _states_its_unit(cls, told: Any) -> Any:
        if isinstance(told, Told) and "unit" not in told:
            why = "a mapping says in which unit its values are; none is guessed"
            raise refusal(why, f"add unit = one of {', '.join(mapping.UNITS)}", "unit")
        return told

    @model_validator(mode="after")
    def _can_be_used(self) -> Self:
        if (found := mapping.refusal(self.mapping())) is not None:
            raise refusal(found.why, found.remedy, found.key)
        for key, speed in (("", self.speed_bps), *((f"series.{n}.", s.speed_bps) for n, s in enumerate(self.series))):
            if speed and not is_speed(speed):
                why = f"{speed} is refused: {SPEEDS}"
                raise refusal(why, "write it in bit/s: 1 Gbit/s is 1000000000", f"{key}speed_bps")
        return self

    def mapping(self) -> mapping.Mapping:
        """The mapping that these values make."""
        told = self.model_dump(exclude={"series"})
        return mapping.Mapping(**told, series=tuple(mapping.Series(**dict(series)) for series in self.series))
