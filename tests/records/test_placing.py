import pytest

from service.feeds.items_flows import EGRESS_SIDE, INGRESS_SIDE, UNKNOWN_SIDE, Flow
from service.records.placing import placed
from service.storage.exporters import Place
from service.terms import EGRESS, INGRESS

M1, M2 = Place(1, "sm-07", "m1"), Place(2, "sm-07", "m2")
MEMBERS = {("sm-07", 11): M1, ("sm-07", 12): M2}


def places(in_index, out_index, side=UNKNOWN_SIDE, device="sm-07", *, meters_both=False):
    return placed(Flow(in_index, out_index, side, 1, 1, 0, 1), device, MEMBERS, meters_both=meters_both)


class TestPlaced:
    def test_goes_in_by_one_and_out_by_another(self):
        assert places(11, 12) == [(M1, INGRESS), (M2, EGRESS)]

    @pytest.mark.parametrize(("in_index", "out_index"), [(0, 12), (99, 12)])
    def test_leaves_out_what_is_no_member(self, in_index, out_index):
        assert places(in_index, out_index) == [(M2, EGRESS)]

    def test_is_nowhere_on_another_device(self):
        assert places(11, 12, device="sm-08") == []

    @pytest.mark.parametrize(("side", "there"), [(INGRESS_SIDE, (M1, INGRESS)), (EGRESS_SIDE, (M2, EGRESS))])
    def test_counts_where_it_was_metered_where_both_sides_are(self, side, there):
        assert places(11, 12, side, meters_both=True) == [there]

    def test_counts_at_both_where_only_what_comes_in_is_metered(self):
        assert places(11, 12, INGRESS_SIDE) == [(M1, INGRESS), (M2, EGRESS)]

    @pytest.mark.parametrize(
        ("side", "there"), [(INGRESS_SIDE, [(M1, INGRESS)]), (EGRESS_SIDE, [(M1, EGRESS)]), (UNKNOWN_SIDE, [])]
    )
    def test_of_one_interface_alone_goes_by_its_side(self, side, there):
        assert places(11, 11, side) == there
