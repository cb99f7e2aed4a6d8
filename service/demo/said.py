"""What people and other sources say during the demo's day besides counters: cables, a forecast, a change."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.demo.exchange import TEAMS, UPPER_WEND
from service.demo.plots import (
    CHANGED_MS,
    END_MS,
    LEDGER_WEB,
    MAIL_RELAY,
    MEGABIT,
    MINUTE_MS,
    NIGHT_COPY,
    SCAN_INDEX,
    UNANSWERED_MS,
    wednesday,
)
from service.demo.stage import Stage
from service.storage import claims
from service.terms import DECLARED, Claim
from service.webhooks.fields import instant

FORETOLD_MS = CHANGED_MS - 15 * MINUTE_MS
STREAMS = [110 * MEGABIT] * 8  # what sm-03 carries: eight streams alike
# Virtual ports by host and member: name, rate in bit/s, and from when to the end of the day.
VIRTUAL_PORTS = {
    ("sm-07", "m1"): (
        ("night-copy", NIGHT_COPY, wednesday(2, 2)),
        ("scan-index", SCAN_INDEX, wednesday(2, 14)),
        ("ledger-web", LEDGER_WEB, wednesday(2, 2)),
        ("mail-relay", MAIL_RELAY, wednesday(2, 2)),
    ),
    ("sm-07", "m2"): (("gate-kiosk", 20 * MEGABIT, wednesday(2, 2)),),
    ("sm-11", "m2"): tuple((name, 3_700, UNANSWERED_MS) for name in ("archive-pull", "dock-cams", "tariff-db")),
}
WATCHED_UNTIL_MS = END_MS + 3 * 60 * MINUTE_MS


@dataclass(frozen=True)
class Post:
    """Something that is posted to the service once its clock has passed a time."""

    at_ms: int
    path: str
    body: dict[str, Any]


def posts() -> tuple[Post, ...]:
    """What is posted during the day, in order."""
    place = {"device": "sm-03", "team": "front", "direction": "egress"}
    drawn = {"items_bps": STREAMS, "links_bps": [1_000 * MEGABIT] * 2}
    return (
        Post(FORETOLD_MS, "/v1/predictions", {**place, "option": "source-mac", "inputs": drawn}),
        Post(
            CHANGED_MS,
            "/v1/changes",
            {
                "at": instant(CHANGED_MS),
                "what": "dealt the streams of sm-03 front out anew, by source address",
                "who": "T. Haverly",
                "reference": "BFE-0412",
                "kind": "re-draw",
                "compare_until": instant(WATCHED_UNTIL_MS),
                "teams": [place],
            },
        ),
    )


def cables() -> tuple[Claim, ...]:
    """The inventory of Upper Wend: what the ports of its bundles are plugged into."""
    return tuple(
        Claim(team.device, port, DECLARED, far_device="sw-u1", far_port=f"{team.device}-{port}", site="Upper Wend")
        for team in TEAMS
        if team.device in UPPER_WEND
        for port in team.ports
    )


def declare(stage: Stage) -> None:
    """Declare the cables."""
    with stage.parts.engine.begin() as connection:
        claims.keep(connection, cables(), stage.clock.now_ms())


def items(start_ms: int, end_ms: int) -> Iterator[dict[str, Any]]:
    """What virtual ports sent within [start, end), as the host that carries them tells it."""
    for (device, member), ports in VIRTUAL_PORTS.items():
        for name, bps, from_ms in ports:
            if end_ms > from_ms:
                stretch = {"start": instant(max(start_ms, from_ms)), "end": instant(end_ms), "bps": bps}
                place = {"device": device, "port": member, "direction": "egress"}
                yield {**place, "kind": "virtual-port", "name": name, **stretch}


def post(stage: Stage, start_ms: int, end_ms: int) -> None:
    """Post what falls into (start, end]."""
    told = list(items(start_ms, end_ms))
    if told:
        stage.http.post("/v1/items", json={"items": told}).raise_for_status()
    for one in posts():
        if start_ms < one.at_ms <= end_ms:
            stage.http.post(one.path, json=one.body).raise_for_status()
