import pytest

from service.collection.cautions import is_too_rare


class TestIsTooRare:
    # 8 x 2^32 bit take 34.36 s at 1 Gbit/s, 3.44 s at 10 Gbit/s and 1.37 s at 25 Gbit/s (RFC 2863 section 3.1.6, by
    # division); four fifths are 27.49 s, 2.75 s and 1.10 s.
    @pytest.mark.parametrize(("gigabits", "just_ms"), [(1, 27_487), (10, 2_748), (25, 1_099)])
    def test_begins_at_four_fifths_of_a_round(self, gigabits, just_ms):
        assert not is_too_rare(just_ms, gigabits * 1_000_000_000)
        assert is_too_rare(just_ms + 1, gigabits * 1_000_000_000)

    def test_is_not_said_of_a_port_whose_speed_nobody_knows(self):
        assert not is_too_rare(300_000, 0)
