"""Heavy traffic against its plan, for real: paced senders, the kernel's own hash, a real agent, the service's answer.

What is compared with: the rates at which the senders were told to send and what they say they sent; the member that
the kernel itself says it chooses for each stream, before and after its hash is changed.
"""

from __future__ import annotations

from collections import Counter

import pytest
from lab import check, story

pytestmark = pytest.mark.skipif(bool(check.lacking()), reason=check.lacking())


@pytest.fixture(scope="module")
def pushed(tmp_path_factory):
    return story.push_through(tmp_path_factory.mktemp("pushed"), print)


class TestPushThrough:
    def test_counts_what_was_sent_within_two_per_cent(self, pushed):
        count = pushed.trial["count"]

        assert count["expected_bps"] == pytest.approx(10e6)
        assert count["ratio"] == pytest.approx(1, abs=0.02)
        assert count["agrees"] is True

    def test_seats_each_stream_where_the_kernel_put_it(self, pushed):
        seats = {seat["port"]: seat["streams"] for seat in pushed.trial["seats"]}

        assert pushed.trial["seats_by"] == "steps"
        assert seats == Counter(pushed.chosen["before"]) == {"p1": 3, "p2": 2}

    def test_sees_the_recorded_change_shift_what_the_kernel_shifts(self, pushed):
        [shift] = pushed.trial["shifts"]
        after = Counter(pushed.chosen["after"])
        after.subtract(pushed.chosen["before"])

        assert shift["what"] == "ports hashed too"
        assert {step["port"]: step["streams"] for step in shift["steps"]} == dict(after) == {"p1": -1, "p2": 1}

    def test_times_the_shift_no_more_finely_than_it_polls(self, pushed):
        [shift] = pushed.trial["shifts"]

        assert shift["resolution_s"] == pytest.approx(1, abs=0.2)
        assert abs(shift["seconds"]) <= 2 * shift["resolution_s"]

    def test_shows_no_loss_that_was_none(self, pushed):
        """No more than the receivers lack of what was sent, beside the error or 20 ms of all streams."""
        [shift] = pushed.trial["shifts"]
        missing = sum(one.sent_frames - one.got_pieces for one in pushed.counts.values())

        assert shift["lost_octets"] <= max(shift["error_octets"], 0.02 * 10e6 / 8) + 1442 * missing
        assert shift["discards"] in {0, None}
