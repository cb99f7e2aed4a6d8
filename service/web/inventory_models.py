"""The shapes of teams, devices, their events and sources."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.web.models import At, Page, Shape


class Team(Shape):
    """A team of member ports of one device."""

    id: int
    device: str
    team: str
    method: str
    bundle: str
    members: list[str]
    decided_at: At | None = Field(description="Every window that ends by then has been evaluated")


class Device(Shape):
    """A device that has told of its ports."""

    id: int
    device: str
    feed: str
    teams: int
    ports: int
    created_at: At
    last_sample_at: At | None
    last_received_at: At | None
    silent_since_at: At | None


class Event(Shape):
    """Something about the data of a device that is worth knowing."""

    device: str
    port: str | None
    at: At
    kind: str
    text: str


class Polling(Shape):
    """How this service polls a device; never what it is asked with."""

    address: str
    protocol_version: str
    clear_text: bool = Field(description="Whether anybody on the way can read what is asked and answered")
    interval_seconds: float = Field(description="Time between polls as it is asked for")
    stretched_seconds: float | None = Field(description="Time between polls while there is too much to do; null else")
    since_at: At
    asked_at: At | None
    answered_at: At | None
    failures_in_a_row: int
    next_at: At | None
    took_seconds: float | None = Field(description="How long the last poll took")
    skew_seconds: float | None = Field(description="Between the first and the last reading of the last poll")
    polls: int
    polls_lost: int
    trouble: str | None = Field(description="What is the matter, in words")
    notes: list[str] = Field(description="What of its tables deviates from the standards")


class Source(Shape):
    """How a device reports, whether it is heard, and what it can and cannot tell."""

    device_id: int | None = Field(description="Null for a device that is polled but was never heard")
    device: str
    feed: str
    state: Literal["heard", "silent", "never", "ended"] = Field(
        description="`silent` after three missed polls, `never` where nothing ever came, `ended` where no more is due"
    )
    last_sample_at: At | None
    last_received_at: At | None
    lateness_seconds: float | None = Field(description="How long after its own time the newest sample was received")
    interval_seconds: float | None = Field(description="Usual time between polls")
    refresh_seconds: float | None = Field(description="Set where it refreshes more slowly than it is polled")
    clock_offset_seconds: float | None = Field(description="How far its clock is off, where it is")
    silent_since_at: At | None
    speed_doubts: list[str] = Field(description="Ports whose claimed speed is not believed, or was not an hour ago")
    can_tell: list[str]
    cannot_tell: list[str]
    polling: Polling | None = Field(description="Null where this service does not poll it")


class Teams(Page[Team]):
    """Teams on one page."""


class Devices(Page[Device]):
    """Devices on one page."""


class Events(Page[Event]):
    """Events on one page."""


class Sources(Page[Source]):
    """Sources on one page."""
