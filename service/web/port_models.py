"""The shapes of ports as the inventory shows them."""

from __future__ import annotations

from pydantic import Field

from service.web.inventory_models import Team
from service.web.models import Direction, Page, Shape, Share


class Seat(Shape):
    """Which team a port is in and what for; empty where it is in none, or nobody says."""

    team: str
    role: str


class Declared(Seat):
    """What people say of a port; `override` is set where they are to be believed against its device."""

    override: bool
    far_device: str
    far_port: str
    owner: str
    site: str
    source: str


class Discovered(Seat):
    """What a device says of a port, or its samples where nobody asked it."""

    aggregate_of: str = Field(description="The team whose interface this is; it carries its members' traffic once more")
    alias: str
    source: str


class Agreement(Shape):
    """How far two readings of the same traffic agree."""

    what: str = Field(description="`sum` of a team's members and its interface, or the two ends of a `cable`")
    name: str = Field(description="The team, or the port")
    direction: Direction
    against: str
    here_bps: int
    there_bps: int
    difference: Share = Field(description="As a share of the larger")
    agrees: bool


class WholeTeam(Team):
    """A team, and how far readings of the same traffic agree."""

    agreements: list[Agreement] = Field(description="Its members against its interface, and the ends of its cables")


class Standing(Shape):
    """How a port stands between what people declared and what is there."""

    device: str
    port: str
    declared: Declared | None
    discovered: Discovered | None
    believed: Seat
    conflict: str | None = Field(description="Where the two disagree, and who is believed")
    heard: bool = Field(description="Its device has sent samples within the hour")
    missing: bool = Field(description="It is declared, and nobody has heard or seen it within the hour")
    unknown: bool = Field(description="It sends, or is in a team, though the inventory does not hold it")
    agreements: list[Agreement] = Field(description="With the other end of its cable")


class Inventory(Page[Standing]):
    """Ports on one page."""
