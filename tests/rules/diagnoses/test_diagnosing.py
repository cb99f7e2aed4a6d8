"""The smaller explanations, each by its signs and where it is not to be claimed, and their order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rules.diagnoses.situations import a_situation, an_item, finding_of, packets, windows

from service.rules.diagnoses import (
    bundle,
    far_switch,
    large_item,
    low_entropy,
    polarisation,
    signs,
    standby,
    unfit,
)
from service.rules.diagnoses.diagnosing import diagnosed
from service.rules.diagnoses.explaining import explained
from service.rules.evidence import UNFIT_NEEDS
from service.terms import BundleState, Endpoints, Evidence, MemberFigure

HOT, COLD = [0.9] * 4, [0.02] * 4


def of(explain, situation):
    return explain(situation, signs.of(situation))


class TestPolarisation:
    @pytest.mark.parametrize(("count", "idle", "claimed"), [(8, 0.019, True), (7, 0.019, False), (8, 0.021, False)])
    def test_is_probable_where_many_conversations_never_reach_a_member(self, count, idle, claimed):
        items = tuple(an_item(f"c{n}", "m1", 100, "conversation") for n in range(count))

        found = of(polarisation.diagnosis, a_situation(windows([HOT, [idle] * 4]), items=items))

        assert (found is not None) is claimed

    @pytest.mark.parametrize(
        ("direction", "method", "bundle", "claimed"),
        [
            ("egress", "ip-pair", "lacp", True),
            ("egress", "virtual-port", "none", False),
            ("egress", "active-standby", "none", False),
            ("ingress", "virtual-port", "none", False),
            ("ingress", "ip-pair", "lacp", True),
        ],
    )
    def test_is_of_a_hash_and_not_of_a_method_that_keeps_an_address_on_one_port(
        self, direction, method, bundle, claimed
    ):
        items = tuple(an_item(f"c{n}", "m1", 100, "conversation") for n in range(9))
        told = windows([HOT, [0.0] * 4], [HOT, [0.0] * 4])

        found = of(
            polarisation.diagnosis, a_situation(told, items=items, direction=direction, method=method, bundle=bundle)
        )

        assert (found is not None) is claimed

    @pytest.mark.parametrize("why_not", ["standby", "broken", "maintenance"])
    def test_is_none_where_the_empty_member_carries_nothing_for_another_reason(self, why_not):
        items = tuple(an_item(f"c{n}", "m1", 100, "conversation") for n in range(9))
        told = windows([HOT, [0.0] * 4])
        members = MemberFigure("m1", 0.9, 10**9), MemberFigure("m2", 0.0, 10**9, why_not)

        situation = a_situation(told, items=items, finding=finding_of(told, members=members))

        assert of(polarisation.diagnosis, situation) is None

    def test_of_two_stages_that_hash_alike_leaves_half_of_the_second_stage_empty(self):
        """Hash values 0 to 7: those even go to link 0 of the first stage, and all of them to link 0 of the second."""
        assert polarisation.reached(range(8), [], 2) == (4, 4)
        assert polarisation.reached(range(8), [(2, 0)], 2) == (4, 0)


class TestLowEntropy:
    def items(self, **ends):
        return tuple(
            an_item(
                f"c{n}",
                "m1",
                200,
                "conversation",
                endpoints=Endpoints(f"192.0.2.{n}", "198.51.100.9", 6, 1000 + n, 80, **ends),
            )
            for n in range(4)
        )

    def test_is_shown_where_all_comes_from_one_gateway(self):
        told = windows([COLD, COLD], [HOT, COLD])
        situation = a_situation(told, direction="ingress", items=self.items(source_mac="02:00:5e:00:00:01"))

        found = of(low_entropy.diagnosis, situation)

        assert found.sure == "shown"
        assert "one hardware address" in found.text

    def test_is_not_claimed_where_conversations_differ(self):
        assert of(low_entropy.diagnosis, a_situation(windows([HOT, COLD]), items=self.items())) is None

    @pytest.mark.parametrize(("other", "claimed"), [(0.047, True), (0.048, False)])
    def test_needs_95_per_cent_on_one_member(self, other, claimed):
        told = windows([HOT, [other] * 4])
        situation = a_situation(told, items=self.items(source_mac="02:00:5e:00:00:01"))

        assert (of(low_entropy.diagnosis, situation) is not None) is claimed


class TestLargeItem:
    def test_names_the_virtual_port_that_no_member_can_carry(self):
        told = windows([[0.8, 0.05, 0.8, 0.05], [0.05, 0.8, 0.05, 0.8]])
        finding = finding_of(told, kind="oscillating")

        found = of(large_item.diagnosis, a_situation(told, finding=finding, items=(an_item("vp9", "m2", 800),)))

        assert found.sure == "shown"
        assert found.text == "largest virtual port vp9 80 % > threshold 75 %"

    @pytest.mark.parametrize(("mbps", "claimed"), [(750, False), (751, True)])
    def test_is_larger_than_the_line(self, mbps, claimed):
        situation = a_situation(windows([HOT, COLD]), items=(an_item("vp9", "m1", mbps),))

        assert (of(large_item.diagnosis, situation) is not None) is claimed


class TestStandby:
    def quiet(self, count, **changed):
        came = packets([[5000.0] * count, [1.0] * count], [[5000.0] * count, [20.0] * count])
        group = packets([[0.0] * count] * 2, [[10.0] * count, [20.0] * count])
        nothing = np.zeros_like(group)
        sent = [[0.9] * count, [0.000001] * count]
        return windows(sent, packets=came, mcast=group, bcast=nothing, **changed)

    @pytest.mark.parametrize(("count", "sure"), [(19, None), (20, "possible"), (119, "possible"), (120, "probable")])
    def test_is_a_member_that_only_hears_groups_for_an_hour(self, count, sure):
        situation = a_situation(self.quiet(count))

        found = list(standby.diagnoses(situation, signs.of(situation)))

        assert [(one.sure, one.members) for one in found] == ([(sure, ("m2",))] if sure else [])

    def test_is_none_where_unicast_comes(self):
        told = self.quiet(120)
        told.packets[1, :, 1] = 21

        assert list(standby.diagnoses(a_situation(told), signs.of(a_situation(told)))) == []


class TestFarSwitch:
    EVEN = [0.4, 0.5, 0.45, 0.4, 0.5, 0.45]

    def test_may_flood_where_all_members_carry_the_same(self):
        told = windows([[0.01] * 6] * 2, [self.EVEN, self.EVEN], packets=packets([[1.0] * 6] * 2, [[900.0] * 6] * 2))

        assert of(far_switch.flooding, a_situation(told, direction="ingress")).sure == "possible"

    def test_does_not_flood_a_bundle(self):
        told = windows([[0.01] * 6] * 2, [self.EVEN, self.EVEN], packets=packets([[1.0] * 6] * 2, [[900.0] * 6] * 2))

        assert of(far_switch.flooding, a_situation(told, direction="ingress", bundle="lacp")) is None

    @pytest.mark.parametrize(
        ("method", "sure"), [("ip-pair", "probable"), ("unknown", "possible"), ("load-aware", None)]
    )
    def test_moves_an_address_where_members_take_turns(self, method, sure):
        to, fro = [0.8, 0.1] * 4, [0.1, 0.8] * 4
        told = windows([[0.01] * 8] * 2, [to, fro])

        found = of(far_switch.moving, a_situation(told, direction="ingress", method=method))

        assert (found.sure if found else None) == sure

    def test_does_not_move_what_stays_for_minutes(self):
        told = windows([[0.01] * 8] * 2, [[0.8] * 4 + [0.1] * 4, [0.1] * 4 + [0.8] * 4])

        assert of(far_switch.moving, a_situation(told, direction="ingress", method="ip-pair")) is None


class TestBundle:
    """States as the LACPDU has them (IEEE 802.1AX): 0x3D in use, 0x1D collecting and not distributing."""

    def of(self, *states):
        return list(bundle.diagnoses(a_situation(windows([HOT, COLD]), states=states)))

    def test_shows_a_far_end_that_does_not_send(self):
        (found,) = self.of(BundleState(0x3D, 0x3D, 1, 7), BundleState(0x3D, 0x1D, 1, 7))

        assert (found.name, found.members) == ("far-end-not-distributing", ("m2",))
        assert found.evidence.speaks_for == ("m2: partner state 0x1D: collecting, not distributing",)

    def test_shows_an_end_of_its_own_that_is_not_in_sync(self):
        (found,) = self.of(BundleState(0x3D, 0x3D, 1, 7), BundleState(0x05, 0x05, 1, 7))

        assert found.text == "this end does not use m2: it is not in sync with its partner"

    def test_shows_two_partners(self):
        (found,) = self.of(BundleState(0x3D, 0x3D, 1, 7), BundleState(0x3D, 0x3D, 2, 7))

        assert (found.name, found.members) == ("two-partners", ("m2",))

    def test_is_content_with_a_pair_that_has_one_identity(self):
        assert self.of(BundleState(0x3D, 0x3D, 1, 7), BundleState(0x3D, 0x3D, 1, 7)) == []


class TestUnfit:
    def of(self, kind, told, bundle_is=""):
        finding = finding_of(told, family="build", kind=kind, hot=(MemberFigure("m2", 0.02, 10**9),))
        return list(unfit.diagnoses(a_situation(told, finding=finding, bundle=bundle_is)))

    @pytest.mark.parametrize(("bundle_is", "sure"), [("", "possible"), ("lacp", "probable")])
    def test_of_a_one_sided_member_is_surer_with_a_bundle(self, bundle_is, sure):
        (found,) = self.of("one-sided", windows([HOT, COLD]), bundle_is)

        assert (found.name, found.sure, found.members) == ("far-end-not-distributing", sure, ("m2",))

    def test_of_an_unanswered_member_tells_how_much_is_broadcast(self):
        # 5,760 of 6,000 packets are 96 % (arithmetic).
        sent = packets([[100.0] * 4, [10.0] * 4], [[100.0] * 4, [0.0] * 4])
        group = packets([[0.0] * 4, [9.6] * 4], [[0.0] * 4] * 2)

        (found,) = self.of("unanswered", windows([HOT, COLD], packets=sent, bcast=group))

        assert "96 % of it broadcast" in found.evidence.speaks_for[0]

    def test_looks_only_at_windows_in_which_it_was_so(self):
        # 9.6 of 10 packets are broadcast, in the last two windows; before them it sent 100,000 of another sort.
        sent = packets([[1e5] * 4, [1e5, 1e5, 10.0, 10.0]], [[100.0] * 4, [0.0] * 4])
        group = packets([[0.0] * 4, [0.0, 0.0, 9.6, 9.6]], [[0.0] * 4] * 2)
        told = windows([HOT, COLD], packets=sent, bcast=group)
        since_ms = told.span.first_ms + 2 * told.span.width_ms
        finding = finding_of(
            told, family="build", kind="unanswered", hot=(MemberFigure("m2", 0.02, 10**9),), since_ms=since_ms
        )

        (found,) = unfit.diagnoses(a_situation(told, finding=finding))

        assert "96 % of it broadcast" in found.evidence.speaks_for[0]

    @pytest.mark.parametrize("kind", ["one-sided", "unanswered", "sick"])
    def test_says_nothing_in_other_words_that_the_rules_have_said(self, kind):
        sign = f"{kind}: figures of m2, and more"
        told = windows([HOT, COLD])
        base = Evidence((sign, "seen in 23 of 23 windows"), (), (UNFIT_NEEDS[kind],))
        finding = finding_of(
            told, family="build", kind=kind, hot=(MemberFigure("m2", 0.02, 10**9),), evidence=base, direction="egress"
        )

        found = explained(a_situation(told, finding=finding, bundle="lacp"))

        assert found.evidence.speaks_for == base.speaks_for
        assert found.evidence.missing == base.missing

    @pytest.mark.parametrize(
        ("count", "told"), [(0, ()), (1, ("1 virtual port sits on m2: likely cut off",)), (3, ("3 virtual ports sit",))]
    )
    def test_of_an_unanswered_member_tells_who_sits_there(self, count, told):
        items = (an_item("vp0", "m1", 10), *(an_item(f"vp{n + 1}", "m2", 0.001) for n in range(count)))
        seen = windows([HOT, COLD])
        finding = finding_of(seen, family="build", kind="unanswered", hot=(MemberFigure("m2", 0.02, 10**9),))

        (found,) = unfit.diagnoses(a_situation(seen, finding=finding, items=items))

        assert len(found.evidence.speaks_for) == 1 + len(told)
        assert all(found.evidence.speaks_for[1].startswith(start) for start in told)

    def test_takes_the_sign_of_its_own_member_only(self):
        told = windows([HOT, COLD])
        base = Evidence(("unanswered: no answered traffic on m22, broadcast share 0.96 of 10 packets/s sent",))
        finding = finding_of(
            told, family="build", kind="unanswered", hot=(MemberFigure("m2", 0.02, 10**9),), evidence=base
        )

        (found,) = unfit.diagnoses(a_situation(told, finding=finding))

        assert "m22" not in found.evidence.speaks_for[0]

    def test_of_a_sick_member_tells_the_ratio(self):
        # 1,800 errors beside 900,000 packets are 0.001996 (arithmetic).
        came = packets([[0.0] * 4] * 2, [[0.0] * 4, [30_000.0] * 4])
        errors = packets([[0.0] * 4] * 2, [[0.0] * 4, [60.0] * 4])

        (found,) = self.of("sick", windows([HOT, COLD], packets=came, errors=errors))

        assert found.evidence.speaks_for == ("m2: 0.002 of what comes is damaged",)
        assert "badly" in found.text


class TestDiagnosed:
    def test_has_the_surest_first(self):
        ports = (an_item("vp1", "m1", 480), an_item("vp2", "m1", 420))
        many = tuple(an_item(f"c{n}", "m1", 100, "conversation") for n in range(9))
        told = windows([[0.4, 0.4, 0.9, 0.9], [0.0] * 4])

        found = diagnosed(a_situation(told, items=(*many, *ports)))

        assert [one.name for one in found] == ["collision", "polarisation"]

    def test_says_nothing_of_what_shows_nothing(self):
        assert diagnosed(a_situation(windows([[0.8, 0.9, 0.78, 0.88], COLD]))) == ()

    def test_says_nothing_of_a_team_without_windows(self):
        told = windows([[], []])
        finding = finding_of(windows([HOT, COLD]))

        assert diagnosed(replace(a_situation(told, finding=finding))) == ()
