from service.storage import agreements
from service.storage.agreements import CABLE, SUM, Agreement

AT_MS = 1_795_600_800_000
FRONT = Agreement(SUM, "sm-07", "front", 0, "sm-07 bond0", 1_000_000_000, 1_003_000_000, 3 / 1003, True, AT_MS)
M1 = Agreement(CABLE, "sm-07", "m1", 1, "sw-03 g1/0/7", 902_000_000, 870_000_000, 32 / 902, False, AT_MS)


class TestKeep:
    def test_keeps_the_latest_of_each(self, connection):
        agreements.keep(connection, [FRONT, M1])
        later = M1._replace(there_bps=899_000_000, difference=3 / 902, agrees=True, at_ms=AT_MS + 60_000)

        agreements.keep(connection, [later])

        assert agreements.of_devices(connection, ["sm-07"]) == [later, FRONT]

    def test_of_nothing_is_nothing(self, connection):
        agreements.keep(connection, [])

        assert agreements.of_devices(connection, ["sm-07"]) == []


class TestOfDevices:
    def test_are_of_these_devices_and_of_one_kind_where_asked(self, connection):
        agreements.keep(connection, [FRONT, M1, FRONT._replace(device="sm-08")])

        assert agreements.of_devices(connection, ["sm-07"], CABLE) == [M1]
        assert agreements.of_devices(connection, ["sm-08"]) == [FRONT._replace(device="sm-08")]


class TestForgetBefore:
    def test_forgets_what_was_not_compared_again(self, connection):
        agreements.keep(connection, [FRONT, M1._replace(at_ms=AT_MS + 1)])

        agreements.forget_before(connection, AT_MS + 1)

        assert [row.name for row in agreements.of_devices(connection, ["sm-07"])] == ["m1"]
