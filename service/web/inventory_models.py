"""The shapes of teams, devices, their events and sources."""

from __future__ import annotations

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


class Source(Shape):
    """How a device reports, and what it cannot tell."""

    device_id: int
    device: str
    feed: str
    last_sample_at: At | None
    last_received_at: At | None
    lateness_seconds: float | None = Field(description="How long after its own time the newest sample was received")
    interval_seconds: float | None = Field(description="Usual time between polls")
    refresh_seconds: float | None = Field(description="Set where it refreshes more slowly than it is polled")
    clock_offset_seconds: float | None = Field(description="How far its clock is off, where it is")
    silent_since_at: At | None
    cannot_tell: list[str]


class Teams(Page[Team]):
    """Teams on one page."""


class Devices(Page[Device]):
    """Devices on one page."""


class Events(Page[Event]):
    """Events on one page."""


class Sources(Page[Source]):
    """Sources on one page."""
