"""On which member, and in which direction, a metered flow went."""

from __future__ import annotations

from collections.abc import Mapping

from service.feeds.items_flows import EGRESS_SIDE, INGRESS_SIDE, Flow
from service.records.slots import Where
from service.storage.exporters import Place
from service.terms import EGRESS, INGRESS

Members = Mapping[tuple[str, int], Place]


def placed(flow: Flow, device: str, members: Members, *, meters_both: bool) -> list[Where]:
    """The members that a flow passed and how: in by one interface, out by another.

    An exporter that meters at both sides (`meters_both`) tells of each frame twice, and then each record counts only
    where it was metered. A record of one interface alone says by its side which way it went.
    """
    if flow.in_index == flow.out_index and flow.side not in {INGRESS_SIDE, EGRESS_SIDE}:
        return []
    sides = ((flow.in_index, INGRESS, INGRESS_SIDE), (flow.out_index, EGRESS, EGRESS_SIDE))
    one_alone = flow.in_index == flow.out_index or (meters_both and flow.side in {INGRESS_SIDE, EGRESS_SIDE})
    return [
        (place, direction)
        for index, direction, side in sides
        if (place := members.get((device, index))) is not None and (not one_alone or side == flow.side)
    ]
