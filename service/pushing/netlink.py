"""Asking the kernel by netlink for routes with several next hops, and for what it calls interfaces; asks only."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

from service.feeds.linux.routes import FAMILIES, MultipathRoute, groups, kinds

MAIN_TABLE = 254  # RT_TABLE_MAIN of include/uapi/linux/rtnetlink.h
MOST_ROUTES = 50_000  # a table of the whole Internet is not read to its end every minute


@dataclass(frozen=True)
class Links:
    """What netlink told: routes over several interfaces, kinds of interfaces by name, and what is the matter."""

    multipath: tuple[MultipathRoute, ...] = ()
    kinds: Mapping[str, str] = field(default_factory=dict)
    trouble: str = ""


def links() -> Links:
    """Ask the kernel; where it cannot be asked there are no routes, and the trouble is said."""
    from pyroute2 import IPRoute  # type: ignore[import-untyped]  # it carries no types
    from pyroute2.netlink.exceptions import NetlinkError  # type: ignore[import-untyped]  # the same

    try:
        with IPRoute() as kernel:
            interfaces = list(kernel.get_links())
            names = {one["index"]: one.get_attr("IFLA_IFNAME") for one in interfaces}
            told = [kernel.get_routes(family=family, table=MAIN_TABLE) for family in FAMILIES]
            routes = [route for family in told for route in itertools.islice(family, MOST_ROUTES)]
    except (OSError, NetlinkError) as wrong:
        return Links(trouble=f"the kernel's routes cannot be read: {wrong}")
    return Links(groups(routes, names), kinds(interfaces))
