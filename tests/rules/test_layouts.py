from service.rules.layouts import layout_of
from service.terms import MOST_MEMBERS, UNKNOWN, PortName


class TestLayoutOf:
    def test_puts_ports_of_a_team_together_in_their_order(self):
        ports = [PortName("a", "p1", "t"), PortName("b", "q1", "u"), PortName("a", "p2", "t"), PortName("b", "q2", "u")]

        layout, notes = layout_of(ports)

        assert [(team.device, team.team) for team in layout.teams] == [("a", "t"), ("b", "u")]
        assert layout.members[:, :3].tolist() == [[0, 2, UNKNOWN], [1, 3, UNKNOWN]]
        assert layout.devices == ("a", "b")
        assert layout.device_of_port.tolist() == [0, 1, 0, 1]
        assert layout.device_of_team.tolist() == [0, 1]
        assert notes == ()

    def test_makes_nobodys_member_of_a_port_without_a_team(self):
        layout, _ = layout_of([PortName("a", "p1"), PortName("a", "p2", "t")])

        assert layout.members[:, :2].tolist() == [[1, UNKNOWN]]

    def test_keeps_teams_of_one_name_on_two_devices_apart(self):
        layout, _ = layout_of([PortName("a", "p", "t"), PortName("b", "p", "t")])

        assert len(layout.teams) == 2

    def test_takes_method_and_bundle_from_the_member_that_tells(self):
        layout, _ = layout_of([PortName("a", "p1", "t"), PortName("a", "p2", "t", "layer4-tuple", "lacp")])

        assert (layout.teams[0].method, layout.teams[0].bundle) == ("layer4-tuple", "lacp")

    def test_leaves_out_a_team_with_too_many_members_and_says_so(self):
        ports = [PortName("a", f"p{n}", "big") for n in range(MOST_MEMBERS + 1)]

        layout, [note] = layout_of([*ports, PortName("a", "q1", "small")])

        assert [team.team for team in layout.teams] == ["small"]
        assert note.startswith("a, team big: 9 members")

    def test_takes_a_team_with_as_many_members_as_can_be(self):
        layout, notes = layout_of([PortName("a", f"p{n}", "big") for n in range(MOST_MEMBERS)])

        assert layout.members.tolist() == [list(range(MOST_MEMBERS))]
        assert notes == ()

    def test_is_empty_where_no_port_has_a_team(self):
        layout, _ = layout_of([PortName("a", "p")])

        assert layout.members.shape == (0, MOST_MEMBERS)
