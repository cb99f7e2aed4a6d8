"""GET /learn: chance, addresses and frames to try out, by the same reckoning that the advice uses."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import Query, Request
from fastapi.responses import HTMLResponse

from service.errors import WrongQuestion
from service.numerics.frames import MOST_MTU, Transfer, counted_ceiling, frames_per_s, payload_bps
from service.numerics.hashes import LABEL, MIXES, MOST_MEMBERS, TOEPLITZ, WAYS, Stated, member_of
from service.pages import filled
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.terms import Endpoints
from service.web.odds import MOST_EQUAL, MOST_EQUAL_LINKS

DRAWS, MOST_SEED = 10_000, 2**53
MOST_ADDRESSES = 64
LESSON = ("192.0.2.20", "192.0.2.10 192.0.2.12 192.0.2.14 192.0.2.16 192.0.2.11")
ETHERNET, JUMBO = 1500, 9000
MEGABIT = 10**6

router = filled.router()
YesNo = Literal["yes", "no"]


@router.get("/learn")
def listing(request: Request, viewer: Watching) -> HTMLResponse:
    """What can be tried out here."""
    return page(request, viewer, "learn.html", {})


@router.get("/learn/odds")
def odds(
    request: Request,
    viewer: Watching,
    items: Annotated[int, Query(ge=1, le=MOST_EQUAL)] = 10,
    links: Annotated[int, Query(ge=1, le=MOST_EQUAL_LINKS)] = 2,
    seed: Annotated[int, Query(ge=0, le=MOST_SEED)] = 1,
) -> HTMLResponse:
    """How equal items fall on members: exact chances, and draws beside them."""
    from service.numerics.odds_equal import equal_items, exhibited

    shown = exhibited(items, links, draws=DRAWS, seed=seed)
    told = {"exact": equal_items(items, links), "shown": shown, "most": (MOST_EQUAL, MOST_EQUAL_LINKS)}
    return page(request, viewer, "learn_odds.html", told)


@router.get("/learn/addresses")
def addresses(  # noqa: PLR0913, PLR0917  # each field of the form by its name
    request: Request,
    viewer: Watching,
    source: Annotated[str, Query(max_length=64)] = LESSON[0],
    destinations: Annotated[str, Query(max_length=4_000)] = LESSON[1],
    mix: Annotated[str, Query(max_length=20)] = "xor-last",
    way: Annotated[str, Query(max_length=20)] = "modulo",
    members: Annotated[int, Query(ge=1, le=MOST_MEMBERS)] = 2,
    key: Annotated[str, Query(max_length=256)] = "",
) -> HTMLResponse:
    """Which member a function that somebody states gives each conversation."""
    function = Stated(mix, way=way, key=_octets(key) if mix == TOEPLITZ else b"")
    wanted = destinations.split()
    if not 1 <= len(wanted) <= MOST_ADDRESSES:
        raise WrongQuestion("destinations", f"1 to {MOST_ADDRESSES} addresses, with space or a new line between them")
    chosen = [(one, member_of(function, Endpoints(source, one), members)) for one in wanted]
    at = [member for _, member in chosen]
    told = {
        "asked": {"source": source, "destinations": "\n".join(wanted), "mix": mix, "way": way, "key": key},
        "members": members,
        "words": (tuple(MIXES), WAYS),
        "most_members": MOST_MEMBERS,
        "chosen": chosen,
        "counts": [at.count(member) for member in range(members)],
        "function": function,
        "label": LABEL,
    }
    return page(request, viewer, "learn_addresses.html", told)


@router.get("/learn/frames")
def frames(  # noqa: PLR0913, PLR0917  # each field of the form by its name
    request: Request,
    viewer: Watching,
    mbps: Annotated[int, Query(ge=1, le=10_000_000)] = 1000,
    mtu: Annotated[int, Query(ge=1, le=MOST_MTU)] = ETHERNET,
    ip: Annotated[int, Query(ge=4, le=6)] = 4,
    timestamps: YesNo = "yes",
    tagged: YesNo = "no",
) -> HTMLResponse:
    """What of a member's speed is left for what people copy, beside large frames."""
    mtus = dict.fromkeys((mtu, ETHERNET, JUMBO))
    transfers = [Transfer(one, timestamps == "yes", tagged == "yes", ip) for one in mtus]
    asked = {"mbps": mbps, "mtu": mtu, "ip": ip, "timestamps": timestamps, "tagged": tagged}
    told = {
        "asked": asked,
        "most_mtu": MOST_MTU,
        "rows": [_framed(mbps * MEGABIT, one, transfers) for one in transfers],
    }
    return page(request, viewer, "learn_frames.html", told)


def _framed(speed_bps: int, one: Transfer, transfers: list[Transfer]) -> dict[str, float]:
    return {
        "mtu": one.mtu,
        "payload_octets": one.payload_octets,
        "wire_octets": one.wire_octets,
        "efficiency": float(one.efficiency),
        "payload_bps": payload_bps(speed_bps, one),
        "frames": frames_per_s(speed_bps, one.frame_octets),
        "counted": float(counted_ceiling(one.frame_octets)),
        "gain": float(one.efficiency / transfers[0].efficiency - 1),
    }


def _octets(key: str) -> bytes:
    try:
        return bytes.fromhex(key.replace(":", ""))
    except ValueError as wrong:
        raise WrongQuestion("key", "is written in hexadecimal digits, two an octet") from wrong
