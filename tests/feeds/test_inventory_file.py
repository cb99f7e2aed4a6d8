import contextlib

import pytest
from hypothesis import given
from mangling import mangled

from service.errors import UnusableInput
from service.feeds import inventory_file
from service.terms import DECLARED, MOST_MEMBERS, Claim, Role

HEADER = ",".join(inventory_file.COLUMNS)


def parsed(*lines, header=HEADER):
    return inventory_file.parse("\n".join([header, *lines]).encode(), "floor.csv", "floor.csv")


def reasons(listed):
    return {reject.index: reject.reason for reject in listed.rejects}


GOOD = f"{HEADER}\nsm-07,up2,front,standby,yes,sw-03,g1/0/7,exchange floor,Brackenhythe\n".encode() * 2


class TestParse:
    @given(mangled(GOOD))
    def test_takes_or_refuses_whatever_a_file_holds(self, octets):
        with contextlib.suppress(UnusableInput):
            listed = inventory_file.parse(octets, "floor.csv")
            assert all(claim.device and claim.port for claim in listed.claims)

    def test_takes_a_line_a_port(self):
        listed = parsed("sm-07,up2,front,standby,yes,sw-03,g1/0/7,exchange floor,Brackenhythe")

        assert listed.rejects == ()
        assert listed.claims == (
            Claim(
                "sm-07",
                "up2",
                DECLARED,
                "front",
                Role.STANDBY,
                override=True,
                far_device="sw-03",
                far_port="g1/0/7",
                owner="exchange floor",
                site="Brackenhythe",
                source="floor.csv",
            ),
        )

    def test_needs_no_more_than_device_and_port_in_any_order(self):
        listed = parsed("up1,sm-07", header="port,device")

        assert listed.claims == (Claim("sm-07", "up1", DECLARED, source="floor.csv"),)

    def test_passes_over_remarks_before_the_header_and_empty_lines_and_counts_them(self):
        listed = inventory_file.parse(
            b"# made by hand\r\n\r\n# in spring\r\ndevice,port\r\nsm-07,up1\r\n\r\nsm-07\r\n", "floor.csv"
        )

        assert [claim.port for claim in listed.claims] == ["up1"]
        assert list(reasons(listed)) == [7]

    def test_takes_a_device_whose_name_begins_like_a_remark(self):
        listed = parsed("#7,up1", "#7", header="device,port")

        assert listed.claims == (Claim("#7", "up1", DECLARED, source="floor.csv"),)
        assert list(reasons(listed)) == [3]

    @pytest.mark.parametrize(
        ("line", "why"),
        [
            ("sm-07,up1,front", "has 3 values where the header has 9 columns"),
            ('sm-07,"up1,front,,,,,,', "is no row of RFC 4180"),
            (",up1,front,,,,,,", "device is empty"),
            ("sm-07, ,front,,,,,,", "port is empty"),
            (f"sm-07,{'x' * 256},front,,,,,,", "port has 256 letters; 255 are the most"),
            ("sm-07,up\x1b1,front,,,,,,", "port holds a letter that cannot be printed"),
            ("sm-07,up1,front,Active,,,,,", "role 'Active' is not known; write one of active, standby, out"),
            ("sm-07,up1,front,,1,,,,", "override '1' is neither yes nor no"),
            ("sm-07,up1,,,yes,,,,", "overrides, but says neither team nor role"),
            ("sm-07,up1,front,,,sw-03,,,", "names half of a far end"),
            ("sm-07,up1,front,,,,g1/0/7,,", "names half of a far end"),
            ("sm-07,up1,front,,,sm-07,up1,,", "names the port itself as its far end"),
        ],
    )
    def test_refuses_a_line_that_is_not_plainly_right_and_takes_the_others(self, line, why):
        listed = parsed("sm-07,up0,front,,,,,,", line, "sm-07,up9,front,,,,,,")

        assert [claim.port for claim in listed.claims] == ["up0", "up9"]
        assert list(reasons(listed)) == [3]
        assert reasons(listed)[3].startswith(why)

    def test_takes_a_port_once(self):
        listed = parsed("sm-07,up1,front,,,,,,", "sm-07,up1,store,,,,,,")

        assert [claim.team for claim in listed.claims] == ["front"]
        assert "line 2" in reasons(listed)[3]

    def test_takes_as_many_members_as_a_team_may_have(self):
        listed = parsed(*(f"sm-07,up{k},front,,,,,," for k in range(MOST_MEMBERS + 1)), "sm-08,up0,front,,,,,,")

        assert len(listed.claims) == MOST_MEMBERS + 1
        assert "one member too many of team front" in reasons(listed)[MOST_MEMBERS + 2]

    @pytest.mark.parametrize(
        ("header", "why"),
        [
            ("device,port,colour", "has a column that is not known here, 'colour'"),
            ("device,port,port", "has the column port twice"),
            ("device,team", "lacks the column port"),
            ("device;port", "has a column that is not known here, 'device;port'"),
            ('device,"port', "lacks the column device"),
        ],
    )
    def test_refuses_a_header_that_it_does_not_know(self, header, why):
        with pytest.raises(UnusableInput, match=why) as refused:
            parsed("sm-07,up1", header=header)

        assert "begin with a line of column names" in str(refused.value)

    @pytest.mark.parametrize("octets", [b"", "device,port\nsm-07,up1".encode("utf-16"), b"device,port\nsm-07,\xff"])
    def test_refuses_what_is_no_text(self, octets):
        with pytest.raises(UnusableInput):
            inventory_file.parse(octets, "floor.csv")
