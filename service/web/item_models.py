"""The shapes of answers about items and exporters."""

from __future__ import annotations

from pydantic import Field

from service.web.models import At, Direction, Shape


class Endpoints(Shape):
    """Between whom a conversation runs, as far as it was told."""

    source: str | None
    destination: str | None
    protocol: int | None
    source_port: int | None
    destination_port: int | None
    source_mac: str | None
    destination_mac: str | None


class Item(Shape):
    """A virtual port or a conversation, and its mean rate."""

    kind: str
    name: str | None = Field(description="Null for the rest, of which only the sum is known")
    bps: int
    parts: int = Field(description="Of how many conversations it is made up, 0 where nobody counted")
    endpoints: Endpoints | None


class MemberItems(Shape):
    """What was told of one member."""

    port: str
    items: list[Item] = Field(description="Heaviest first")
    items_bps: int = Field(description="Their sum")
    member_bps: int | None = Field(description="What the member's own counters say of the same time")
    difference: float | None = Field(description="A share of the larger")
    agrees: bool | None = Field(description="Within 2 %; null where one of the two does not cover the time")


class TeamItems(Shape):
    """The items of a team in one direction."""

    device: str
    team: str
    direction: Direction
    from_at: At
    to_at: At
    told_seconds: float = Field(description="Of how much of this time anything was told")
    members: list[MemberItems]


class Exporter(Shape):
    """An exporter as it was last heard."""

    address: str
    protocol: str
    device: str | None = Field(description="Null where the settings name none: nothing of it was read")
    heard_at: At
    datagrams: int
    records: int
    lost: int = Field(description="By sequence numbers: records of IPFIX, datagrams of sFlow")
    refused: int = Field(description="Datagrams that were not read")
    unplaced: int = Field(description="Flows of no known member, or of no believable time")
    trouble: str | None = Field(description="The last thing that was the matter")


class Exporters(Shape):
    """All exporters."""

    items: list[Exporter]
