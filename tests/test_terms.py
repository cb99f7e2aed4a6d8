"""What the nouns say of themselves."""

from dataclasses import replace

import pytest
from examples import a_layout

from service.terms import EGRESS, INGRESS, MARK_WORDS, UNKNOWN, Basis, Mark, PortName, words_of_marks


class TestWordsOfMarks:
    def test_has_a_word_for_every_mark(self):
        assert set(MARK_WORDS) == set(Mark)
        assert all(words_of_marks(mark, Basis.INFERRED, way) for mark in Mark for way in told_of(mark))

    def test_says_nothing_where_nothing_was_seen(self):
        assert words_of_marks(0, Basis.WIRE, EGRESS) == ()

    @pytest.mark.parametrize("way", [EGRESS, INGRESS])
    def test_says_of_a_direction_what_holds_for_it(self, way):
        (mark,) = [mark for mark in (Mark.UNCERTAIN_EGRESS, Mark.UNCERTAIN_INGRESS) if told_of(mark) == [way]]

        assert words_of_marks(mark, Basis.WIRE, way) == ("uncertain",)
        assert words_of_marks(mark, Basis.WIRE, 1 - way) == ()

    def test_says_of_merged_packets_where_frames_were_inferred(self):
        assert words_of_marks(Mark.MERGED_PACKETS, Basis.INFERRED, EGRESS) == ("merged-packets",)
        assert words_of_marks(Mark.MERGED_PACKETS, Basis.WIRE, INGRESS) == ()

    def test_says_several_at_once(self):
        assert words_of_marks(Mark.FLAP | Mark.SHARED, Basis.COUNTED, EGRESS) == ("flap", "shared")


def told_of(mark: Mark) -> list[int]:
    """The directions that a mark is about."""
    return {Mark.UNCERTAIN_EGRESS: [EGRESS], Mark.UNCERTAIN_INGRESS: [INGRESS]}.get(mark, [EGRESS, INGRESS])


class TestTeamOfPort:
    def test_is_the_position_of_the_team_and_unknown_for_a_port_of_none(self):
        layout = a_layout(2, 3)
        lone = replace(layout, ports=(*layout.ports, PortName("sm-07", "spare")))

        assert lone.team_of_port().tolist() == [0, 0, 1, 1, 1, UNKNOWN]
