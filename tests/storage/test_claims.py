from dataclasses import replace

import pytest
from sqlalchemy import select

from service.storage import claims, inventory, tables
from service.terms import DECLARED, DISCOVERED, BundleState, Claim, LacpState, PortName, Role

NOW_MS = 1_795_600_800_000
UP1 = Claim("sm-07", "up1", DECLARED, "front", Role.ACTIVE, owner="exchange floor", site="Brackenhythe")
UP2 = Claim("sm-07", "up2", DECLARED, "front", Role.STANDBY, override=True)
SAID = Claim(
    "sm-07",
    "up2",
    DISCOVERED,
    "front",
    Role.ACTIVE,
    if_index=4,
    mac=0x00005E005302,
    state=BundleState(int(LacpState.ACTIVITY), 0xFF, 0xFFFF_FFFF_FFFF, 65_535, 65_535),
    alias="to the west hall, \N{BICYCLE}",
    source="IEEE8023-LAG-MIB",
)


def instants(connection):
    table = tables.claims.c
    query = select(table.device, table.port, table.said_by, table.seen_ms, table.changed_ms)
    return {tuple(row[:3]): tuple(row[3:]) for row in connection.execute(query)}


class TestKeep:
    def test_keeps_what_each_says_and_gives_it_back(self, connection):
        kept = claims.keep(connection, [UP1, UP2, SAID], NOW_MS)

        assert kept == (UP1, UP2, SAID)
        assert claims.of_devices(connection, ["sm-07"]) == [UP1, UP2, SAID]

    def test_says_what_changed_and_moves_its_instant_only_then(self, connection):
        claims.keep(connection, [UP1, UP2], NOW_MS)
        moved = replace(UP2, role=Role.ACTIVE)

        assert claims.keep(connection, [UP1, moved], NOW_MS + 5) == (moved,)
        assert instants(connection) == {
            ("sm-07", "up1", DECLARED): (NOW_MS + 5, NOW_MS),
            ("sm-07", "up2", DECLARED): (NOW_MS + 5, NOW_MS + 5),
        }

    def test_of_two_for_one_port_keeps_the_later(self, connection):
        later = replace(UP1, team="store")

        assert claims.keep(connection, [UP1, later], NOW_MS) == (later,)

    def test_of_nothing_is_nothing(self, connection):
        assert claims.keep(connection, [], NOW_MS) == ()

    def test_takes_as_many_as_come(self, connection):
        # More than a statement of SQLite or PostgreSQL may have parameters (32,766 and 65,535, from their manuals).
        many = [Claim(f"sm-{n // 48:04}", f"p{n % 48:02}", DISCOVERED, if_index=n) for n in range(4_800)]

        assert len(claims.keep(connection, many, NOW_MS)) == 4_800
        assert claims.keep(connection, many, NOW_MS + 1) == ()
        assert claims.of_devices(connection, {claim.device for claim in many}) == many


class TestReplaceDiscovered:
    def test_says_what_is_new_gone_and_moved(self, connection):
        old = [Claim("sm-07", f"up{k}", DISCOVERED, "front", Role.ACTIVE) for k in range(3)]
        claims.keep(connection, [*old, UP1], NOW_MS)
        new = [old[0], replace(old[1], team="store"), Claim("sm-07", "up9", DISCOVERED, "front")]

        changed = claims.replace_discovered(connection, "sm-07", new, NOW_MS + 1)

        assert changed == claims.Changed((new[2],), (old[2],), (new[1],))
        assert set(claims.of_devices(connection, ["sm-07"])) == {*new, UP1}

    def test_leaves_other_devices_alone(self, connection):
        other = replace(SAID, device="sm-08")
        claims.keep(connection, [other, SAID], NOW_MS)

        claims.replace_discovered(connection, "sm-07", [], NOW_MS + 1)

        assert claims.all(connection).items == (other,)

    def test_counts_another_index_as_no_move(self, connection):
        claims.replace_discovered(connection, "sm-07", [SAID], NOW_MS)

        assert not claims.replace_discovered(connection, "sm-07", [replace(SAID, if_index=9)], NOW_MS + 1)


class TestAll:
    def test_is_read_page_by_page(self, connection):
        claims.keep(connection, [UP1, UP2, SAID], NOW_MS)

        first = claims.all(connection, limit=2)
        rest = claims.all(connection, limit=2, cursor=first.cursor)

        assert (first.items, rest.items, rest.cursor) == ((UP1, UP2), (SAID,), None)

    def test_is_asked_for_one_voice(self, connection):
        claims.keep(connection, [UP1, UP2, SAID], NOW_MS)

        assert claims.all(connection, said_by=DISCOVERED).items == (SAID,)
        assert claims.declared(connection) == [UP1, UP2]


class TestOverriding:
    def test_are_those_that_are_declared_so(self, connection):
        claims.keep(connection, [UP1, UP2, SAID], NOW_MS)

        assert claims.overriding(connection, ["sm-07", "sm-08"]) == {("sm-07", "up2"): UP2}


class TestPlaces:
    @pytest.fixture
    def three(self, connection):
        claims.keep(connection, [UP1, UP2, SAID], NOW_MS)
        inventory.resolve(
            connection, [PortName("sm-07", "up1", "front"), PortName("rm-02", "m1", "wide")], feed="push", now_ms=NOW_MS
        )

    def test_are_all_that_are_spoken_of_or_have_sent_each_once(self, connection, three):
        assert claims.places(connection) == [("rm-02", "m1"), ("sm-07", "up1"), ("sm-07", "up2")]

    def test_go_on_after_one(self, connection, three):
        assert claims.places(connection, after=("rm-02", "m1"), limit=1) == [("sm-07", "up1")]

    def test_are_only_those_that_may_be_disputed_where_that_is_asked(self, connection, three):
        agreed = replace(UP1, said_by=DISCOVERED, role=Role.NOT_TOLD)
        claims.keep(connection, [agreed, replace(UP1, port="up3")], NOW_MS)

        # Of up2 its device says another role, of up3 nothing: its samples may yet contradict.
        assert claims.places(connection, disputable=True) == [("sm-07", "up2"), ("sm-07", "up3")]


class TestForget:
    def test_forgets_one_voice_of_some_ports(self, connection):
        claims.keep(connection, [UP1, UP2, SAID], NOW_MS)

        claims.forget(connection, "sm-07", ["up2", "up7"], DECLARED)

        assert claims.of_devices(connection, ["sm-07"]) == [UP1, SAID]
        assert claims.is_declared(connection)
