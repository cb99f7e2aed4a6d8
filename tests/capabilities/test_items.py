"""COL-11: finer-grain inputs taken when they are offered, and held against the members."""

from examples import EPOCH_MS, GIGABIT
from item_examples import registered
from web_examples import asked

from service.storage import inventory, items
from service.terms import EGRESS, INGRESS

NOW_MS = EPOCH_MS + 420_000
STRETCH = {"start": "2026-11-25T10:00:00Z", "end": "2026-11-25T10:05:00Z"}
# Acceptance: virtual ports of 480, 472, 6 and 4 Mbit/s, the first two on one member, the others on its sibling.
PLACED = (("vm-1", "m1", 480), ("vm-2", "m1", 472), ("vm-3", "m2", 6), ("vm-4", "m2", 4))


def samples_of(**mbps):
    """Samples every 10 s of members that send so much."""
    return [
        {
            "time": EPOCH_MS // 1000 + at,
            "device": "sm-07",
            "port": port,
            "team": "front",
            "speed_bps": GIGABIT,
            "out_octets": round(rate * 1e6 / 8 * at),
            "in_octets": 0,
            "counts": "frame",
        }
        for at in range(0, 331, 10)
        for port, rate in mbps.items()
    ]


class TestCol11Items:
    def test_virtual_ports_agree_with_their_members(self, engine):
        http = asked(engine, now_ms=lambda: NOW_MS)
        assert http.post("/v1/samples", json={"samples": samples_of(m1=952, m2=10)}).json()["rejected"] == []
        told = [
            {"device": "sm-07", "port": port, "name": name, "direction": "egress", "bps": mbps * 1e6, **STRETCH}
            for name, port, mbps in PLACED
        ]
        assert http.post("/v1/items", json={"items": told}).json()["accepted"] == 4

        members = http.get(f"/v1/teams/1/items?from={STRETCH['start']}&to={STRETCH['end']}").json()["members"]

        # 952 + 10 against the 962 Mbit/s of the members.
        assert [(one["items_bps"], one["agrees"]) for one in members] == [(952e6, True), (10e6, True)]
        assert sum(one["member_bps"] for one in members) == 962e6
        assert [(item["name"], item["bps"]) for one in members for item in one["items"]] == [
            ("vm-1", 480e6),
            ("vm-2", 472e6),
            ("vm-3", 6e6),
            ("vm-4", 4e6),
        ]

    def test_items_of_a_team_are_there_for_odds(self, engine):
        """What explanations and advice ask for: by member, heaviest first, with of how long they were told."""
        http = asked(engine, now_ms=lambda: NOW_MS)
        with engine.begin() as connection:
            ports = registered(connection)
        told = [
            {"device": "sm-07", "port": port, "name": name, "direction": "egress", "bps": mbps * 1e6, **STRETCH}
            for name, port, mbps in PLACED
        ]
        http.post("/v1/items", json={"items": told})

        with engine.connect() as connection:
            found = items.of_ports(connection, ports, EGRESS, EPOCH_MS, EPOCH_MS + 300_000)
            other = items.of_ports(connection, ports, INGRESS, EPOCH_MS, EPOCH_MS + 300_000)

        assert [(item.name, item.port, item.bps / 1e6) for item in found.items] == [(*one,) for one in PLACED]
        assert (found.seconds, other.items) == (300, ())

    def test_nothing_is_known_of_items_where_nobody_told(self, engine):
        http = asked(engine, now_ms=lambda: NOW_MS)
        http.post("/v1/samples", json={"samples": samples_of(m1=952, m2=10)})
        with engine.connect() as connection:
            assert inventory.team(connection, 1).members == ("m1", "m2")

        told = http.get(f"/v1/teams/1/items?from={STRETCH['start']}&to={STRETCH['end']}").json()

        assert [(one["items"], one["agrees"]) for one in told["members"]] == [([], None), ([], None)]
        assert told["told_seconds"] == 0
