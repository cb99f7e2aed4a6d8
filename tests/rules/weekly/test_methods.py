from service.rules.weekly.methods import inventory

HOSTS = [("virtual-port", "none")] * 21 + [("layer4-tuple", "lacp")] * 2 + [("layer4-tuple", "none")]


class TestInventory:
    def test_lists_first_the_one_that_needs_a_bundle_and_has_none(self):
        rows = inventory(HOSTS)

        assert [(row.method, row.far_end, row.teams) for row in rows] == [
            ("layer4-tuple", "none", 1),
            ("virtual-port", "none", 21),
            ("layer4-tuple", "lacp", 2),
        ]
        assert [bool(row.mismatch) for row in rows] == [True, False, False]

    def test_calls_a_virtual_port_before_a_bundle_a_mismatch(self):
        assert inventory([("virtual-port", "static")])[0].mismatch

    def test_counts_what_is_unknown_without_blaming_it(self):
        assert inventory([("unknown", "none")])[0].mismatch == ""

    def test_says_the_same_whatever_the_order(self):
        assert inventory(HOSTS) == inventory(HOSTS[::-1])
