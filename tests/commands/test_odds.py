import json

import pytest

DEMO = ("--item", "430M@1", "--item", "390M@1", "--item", "60M@1", "--item", "40M@1", "--links", 2)


class TestOdds:
    def test_tells_the_chance_for_each_demand(self, lopside):
        said = lopside("odds", *DEMO, "--background", 0, "--background", "20M")

        assert said.exit_code == 0
        for line in (
            "50 % exactly, as read",
            "25 % exactly, were each item 1.5 times",
            "0 % exactly, were each item 2",
        ):
            assert line in said.output

    def test_tells_how_it_stands_and_what_could_be(self, lopside):
        said = lopside("odds", *DEMO).output

        assert "as it is: 92/0 %; a member is above the line" in said
        assert "best placement of whole items: 47/45 %, moving 2 items" in said or "45/47 %, moving 2" in said
        assert "one move clears the line and there it stops" in said

    def test_limits_moves(self, lopside):
        said = lopside("odds", *DEMO, "--most-moves", 1).output

        assert "best placement of whole items: 49/43 %, moving 1 item" in said

    def test_says_why_no_method_helps(self, lopside):
        assert "one item alone is above the line on every link" in lopside("odds", "--item", "940M").output

    def test_prints_assumptions_and_cautions(self, lopside):
        said = lopside("odds", "--item", "1M").output

        assert "assumed: each item lands on one of the links" in said
        assert "caution: advice only" in said

    def test_tells_the_error_of_what_was_drawn(self, lopside):
        items = [word for at in range(40) for word in ("--item", f"{20 + at}M")]

        said = lopside("odds", *items, "--links", 3, "--seed", 5).output

        assert "20,000 draws, seed 5" in said
        assert said == lopside("odds", *items, "--links", 3, "--seed", 5).output

    def test_takes_several_items_of_one_rate_and_members_of_different_speeds(self, lopside):
        found = json.loads(lopside("odds", "--item", "8x53.75M", "--link", "1G", "--link", "10G", "--json").output)

        assert found["effective_items"] == pytest.approx(8)
        assert found["even_split"] == pytest.approx(0.43 / 11)

    def test_tells_programs_the_same(self, lopside):
        found = json.loads(lopside("odds", *DEMO, "--json").output)

        assert [one["success"] for one in found["chances"]] == [0.5, 0.375, 0.0]
        assert found["load_aware"]["after"] == [0.49, 0.43]

    def test_tells_exact_odds_of_equal_items(self, lopside):
        assert "0.195 %" in lopside("odds", "--equal", 10).output
        assert json.loads(lopside("odds", "--equal", 3, "--links", 4, "--json").output)["all_apart"] == 0.375

    @pytest.mark.parametrize(
        ("arguments", "word"),
        [
            ((), "--item or --equal"),
            (("--item", "1M", "--equal", 2), "--item or --equal"),
            (("--item", "1M", "--link", "1G", "--links", 2), "--link or --links"),
            (("--item", "4q"), "no item"),
            (("--item", "0x4M"), "no item"),
            (("--item", "4M@0"), "counted from 1"),
            (("--item", "4M@1", "--item", "5M"), "of every item"),
            (("--item", "4M@3"), "counted 0 to 1"),
            (("--item", "4M", "--background", 1, "--background", 1, "--background", 1), "more often"),
            (("--item", "4M", "--line", 1.5), "line"),
            (("--item", "4M", "--link", "fast"), "no rate"),
            (("--item", "4M", "--most-moves", 1), "most_moves"),
            (("--equal", 101), "100 equal items"),
        ],
    )
    def test_refuses_what_is_no_question(self, lopside, arguments, word):
        said = lopside("odds", *arguments)

        assert said.exit_code == 2
        assert word in said.output


class TestExhibit:
    def test_is_the_same_with_the_same_seed(self, lopside):
        assert lopside("odds", "exhibit", "--seed", 3).output == lopside("odds", "exhibit", "--seed", 3).output
        assert lopside("odds", "exhibit", "--seed", 3).output != lopside("odds", "exhibit", "--seed", 4).output


class TestMember:
    def test_takes_ports_and_a_key(self, lopside):
        # The verification suite of receive-side scaling: 51ccc178 for these four, an even number.
        key = "6d5a56da255b0ec24167253d43a38fb0d0ca2bcbae7b30b477cb2da38030f20c6a42b73bbeac01fa"
        over = ("--over", "source,destination,source_port,destination_port")

        said = lopside(
            "odds", "member", "--mix", "toeplitz", "--key", key, *over, "66.9.149.187,161.142.100.80,2794,1766"
        )

        assert "-> member 0" in said.output

    @pytest.mark.parametrize(
        ("arguments", "word"),
        [
            (("--mix", "luck", "192.0.2.1,192.0.2.2"), "mix"),
            (("--mix", "crc-32", "192.0.2.1"), "has 1 values"),
            (("--mix", "crc-32", "192.0.2.1,192.0.2"), "no IP address"),
            (("--mix", "crc-32", "--over", "source_port", "many"), "whole number"),
            (("--mix", "crc-32", "--over", "colour", "red"), "over"),
            (("--mix", "toeplitz", "--key", "zz", "192.0.2.1,192.0.2.2"), "hexadecimal"),
        ],
    )
    def test_refuses_what_it_cannot_evaluate(self, lopside, arguments, word):
        said = lopside("odds", "member", *arguments)

        assert said.exit_code == 2
        assert word in said.output


class TestFrames:
    def test_take_a_tag_and_another_speed(self, lopside):
        said = lopside("odds", "frames", "--mtu", 1500, "--tagged", "--speed", "10G").output

        assert "9.39 Gbit/s of payload (93.9 %)" in said

    def test_refuse_an_mtu_that_holds_nothing(self, lopside):
        assert lopside("odds", "frames", "--mtu", 40).exit_code == 2
