from dataclasses import replace

import numpy as np
import pytest
from evaluation.rounds import Rounds
from examples import EPOCH_MS, GIGABIT
from walks.traffic import START_S, polls

from service.evaluation import Policy, declared
from service.rules.bundle_states import FIT, OWN_NOT_DISTRIBUTING
from service.storage import claims, inventory
from service.terms import DECLARED, DISCOVERED, BundleState, Claim, Role, Rule

NOW_MS = EPOCH_MS + 60_000
M1 = Claim("sm-07", "m1", DECLARED, far_device="sw-03", far_port="g1/0/7")
BACK = Claim("sw-03", "g1/0/7", DECLARED, far_device="sm-07", far_port="m1")
POLICY = Policy(lambda _device, _team: Rule())


def far_port(speed_bps):
    told = {"time": START_S, "device": "sw-03", "port": "g1/0/7", "team": "floor", "out_octets": 0, "in_octets": 0}
    return [told | {"speed_bps": speed_bps}]


@pytest.fixture
def said(engine):
    """What is known of the members of front of sm-07 once some claims are kept."""
    rounds = Rounds(engine)
    rounds.push(polls((1, (0.92, 0.02))), 60)

    def of(*told, far_bps=0, policy=POLICY, now_ms=NOW_MS):
        rounds.push(far_port(far_bps) if far_bps else [], 0)
        with engine.begin() as connection:
            claims.keep(connection, told, NOW_MS)
            layout = inventory.layout(connection, [1]).layout
            return declared.of(connection, layout, policy, now_ms)

    return of


class TestOf:
    def test_of_nothing_is_nothing(self, said):
        found = said()

        assert (found.overrides.tolist(), found.otherwise.tolist()) == ([0, 0], [0, 0])
        assert (found.far_bps.tolist(), found.far_ends) == ([0, 0], {})

    def test_takes_roles_that_override_apart_from_the_others(self, said):
        found = said(
            Claim("sm-07", "m1", DECLARED, role=Role.STANDBY),
            Claim("sm-07", "m2", DECLARED, role=Role.STANDBY, override=True),
            Claim("sm-07", "x9", DECLARED, role=Role.STANDBY, override=True),
        )

        assert found.overrides.tolist() == [0, Role.STANDBY]
        assert found.otherwise.tolist() == [Role.STANDBY, 0]

    @pytest.mark.parametrize(("team", "role"), [("", Role.STANDBY), ("front", Role.STANDBY), ("store", Role.NOT_TOLD)])
    def test_takes_over_no_role_that_was_meant_for_another_team(self, said, team, role):
        found = said(Claim("sm-07", "m1", DECLARED, team, Role.STANDBY))

        assert found.otherwise.tolist() == [role, 0]

    @pytest.mark.parametrize("said_by", [DECLARED, DISCOVERED])
    def test_takes_the_speed_that_the_far_end_tells(self, said, said_by):
        found = said(replace(M1, said_by=said_by), far_bps=10 * GIGABIT)

        assert found.far_bps.tolist() == [10 * GIGABIT, 0]
        assert found.far_ends == {0: "sw-03 g1/0/7"}

    def test_hears_people_before_devices(self, said):
        found = said(replace(M1, said_by=DISCOVERED, far_port="g1/0/8"), M1, far_bps=GIGABIT)

        assert found.far_bps[0] == GIGABIT

    def test_takes_the_speed_that_an_operator_set_for_the_far_end(self, said):
        policy = replace(POLICY, speed_of=lambda device, _port: 2 * GIGABIT if device == "sw-03" else 0)

        assert said(M1, far_bps=GIGABIT, policy=policy).far_bps[0] == 2 * GIGABIT

    def test_takes_the_slower_where_both_ends_name_each_other(self, said):
        # m1 tells 1 Gbit/s; a cable is as fast as its slower end (common practice, no source).
        assert said(M1, BACK, far_bps=10 * GIGABIT).far_bps[0] == GIGABIT

    def test_takes_no_speed_of_the_interface_of_a_team(self, said):
        whole = Claim("sw-03", "g1/0/7", DISCOVERED, aggregate_of="floor")

        assert not np.any(said(M1, whole, far_bps=2 * GIGABIT).far_bps)

    def test_takes_no_speed_where_the_far_end_tells_none_or_long_ago(self, said):
        assert not np.any(said(M1).far_bps)
        assert not np.any(said(M1, far_bps=GIGABIT, now_ms=EPOCH_MS + declared.BELIEVED_MS + 1).far_bps)

    @pytest.mark.parametrize(
        ("role", "override", "code"),
        [
            (Role.NOT_TOLD, False, OWN_NOT_DISTRIBUTING),
            (Role.ACTIVE, True, OWN_NOT_DISTRIBUTING),
            (Role.STANDBY, False, FIT),
            (Role.OUT, True, FIT),
        ],
    )
    def test_holds_no_state_against_what_people_took_out_of_use(self, said, role, override, code):
        found = said(
            Claim("sm-07", "m1", DISCOVERED, "front", state=BundleState(0x3D, 0x3D)),
            Claim("sm-07", "m2", DISCOVERED, "front", state=BundleState(0x05, 0x05)),
            Claim("sm-07", "m2", DECLARED, role=role, override=override),
        )

        assert found.broken.tolist() == [FIT, code]
