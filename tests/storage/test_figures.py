import numpy as np
import pytest

from service.storage import figures


def arrays(ports=2, windows=1):
    told = figures.WINDOW.blanks(ports, windows)
    told["utilisation"][:] = 0.5
    return told


class TestPacked:
    def test_begins_with_version_and_count_of_members(self):
        rows = figures.packed(figures.WINDOW, arrays(), np.array([[0, 1]]), np.array([0]))

        assert figures.octets_of(rows)[0][:2] == bytes([1, 2])

    def test_takes_190_octets_for_a_team_of_two(self):
        # 2 members x 2 directions x (8 + 8 x 4 + 2) octets, 2 x (8 + 2) for speed and marks, 2 in front.
        rows = figures.packed(figures.WINDOW, arrays(), np.array([[0, 1]]), np.array([0]))

        assert len(figures.octets_of(rows)[0]) == 2 * 2 * 42 + 2 * 10 + 2

    def test_is_undone_by_unpacking(self):
        told = arrays(4, 3)
        told["speed_bps"][3, 2] = 2**62
        rows = figures.packed(figures.WINDOW, told, np.array([[3, 1], [0, 2]]), np.array([2, 1]))

        found = figures.unpacked(figures.WINDOW, figures.octets_of(rows))

        assert found["speed_bps"].tolist() == [[2**62, 0], [0, 0]]
        assert (found["utilisation"] == 0.5).all()


class TestUnpacked:
    def test_refuses_figures_of_another_version(self):
        rows = figures.packed(figures.WINDOW, arrays(), np.array([[0, 1]]), np.array([0]))
        later = b"\x02" + figures.octets_of(rows)[0][1:]

        with pytest.raises(ValueError, match="version 2"):
            figures.unpacked(figures.WINDOW, [later])
