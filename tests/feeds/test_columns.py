"""The table of columns."""

from hypothesis import given
from hypothesis import strategies as st

from service.feeds import columns
from service.feeds.columns import COLUMNS
from service.terms import COUNTERS


class TestColumns:
    def test_hold_every_counter(self):
        assert set(COUNTERS) <= set(COLUMNS)
        assert all(columns.is_counter(name) for name in COUNTERS)


class TestShown:
    @given(st.text(st.characters(), max_size=200))
    def test_is_short_and_can_be_written_anywhere(self, text):
        shown = columns.shown(text)

        assert len(shown) <= 60
        assert shown.encode().decode() == shown
