"""Findings: one for what moves between members, each kind by its name, as grave as the harm and never as the ratio."""

from __future__ import annotations

import numpy as np
import pytest
from capabilities.readings import WINDOW_S, held, octets_in
from evaluation.rounds import Rounds
from rules.team_windows import hot, team_windows
from sqlalchemy import select
from walks.outcome import at_once
from walks.traffic import polls

from service.rules.severity import levels, no_depth
from service.storage import findings, tables
from service.storage.database import reading
from service.terms import KIND_WORDS, SEVERITY_ORDER


def kinds(found, direction=0):
    return {KIND_WORDS[kind] for kind in found.teams.kind[0, :, direction]}


class TestDet1Flag:
    """3,750,000,000 octets are 30 s at 1 Gbit/s, so 2,812,500,000 are 75 % exactly (arithmetic)."""

    @pytest.mark.parametrize(
        ("octets", "kind"), [(2_812_500_000, "none"), (2_812_500_001, "uneven"), (2_812_875_000, "uneven")]
    )
    def test_is_raised_by_one_octet_more_than_75_per_cent_and_not_by_75_per_cent(self, octets, kind):
        samples = held((octets / 3_750_000_000, 0.05), 1)
        assert samples[1]["out_octets"] == octets

        assert kinds(at_once(samples, WINDOW_S)) == {kind}

    def test_of_78_45_beside_8_per_cent_says_what_an_even_split_would_be(self):
        found = at_once(held((0.7845, 0.08), 4), 4 * WINDOW_S)

        (finding,) = found.findings
        assert finding.kind == "uneven"
        assert finding.even_split == pytest.approx(0.4323, abs=5e-5)
        assert ([m.port for m in finding.hot], [m.port for m in finding.idle]) == (["m1"], ["m2"])


class TestDet5OneFinding:
    """The hot member changes seven times in eight windows; the problem stays where it was."""

    SHARES = ((0.80, 0.05), (0.05, 0.80)) * 4

    def test_is_one_with_one_message_however_the_hot_member_changes(self, engine):
        rounds = Rounds(engine)

        rounds.walk(polls(*((0.5, shares) for shares in self.SHARES)), len(self.SHARES) * WINDOW_S)

        with reading(engine) as connection:
            (kept,) = findings.listing(connection).items
            told = list(connection.scalars(select(tables.deliveries.c.what)))
        assert kept.finding.kind == "oscillating"
        assert told == ["raised"]


class TestDet7Kinds:
    def test_of_three_hot_and_one_idle_is_uneven_and_full(self):
        found = at_once(held((0.97, 0.96, 0.95, 0.18), 4), 4 * WINDOW_S)

        assert [finding.kind for finding in found.findings] == ["uneven-and-full"]
        assert found.findings[0].even_split == pytest.approx(0.765)

    def test_with_a_member_down_are_degraded_and_full(self):
        samples = held((0.83, 0.82, 0.0, 0.84), 4)
        samples = [sample | ({"oper_status": "down"} if sample["port"] == "m3" else {}) for sample in samples]

        found = at_once(samples, 4 * WINDOW_S)

        assert sorted(finding.kind for finding in found.findings) == ["degraded", "full"]
        assert found.findings[0].even_split == pytest.approx(0.83)
        assert all(finding.idle == () for finding in found.findings)

    def test_of_a_team_of_one_at_90_per_cent_is_hot_no_sibling(self):
        found = at_once(held((0.90,), 4), 4 * WINDOW_S)

        assert [finding.kind for finding in found.findings] == ["hot-no-sibling"]


class TestDet10Severity:
    """Full frames of 1,518 octets; 481 drops beside 2,406,000 frames are 2.0e-4 (arithmetic)."""

    FRAMES, DROPS = 2_406_000, 481

    def severity(self, shares, windows=10, **counted):
        """Of the one finding after five minutes."""
        (finding,) = at_once(held(shares, windows, **counted), windows * WINDOW_S).findings
        return finding.severity

    def full(self, drops):
        # 1,518 x 2,406,000 octets in 30 s are 97.4 % counted and 98.7 % on the wire.
        share = 1518 * self.FRAMES / octets_in(1.0)
        samples = held((share, 0.02), 12, out_packets=self.FRAMES, out_discards=drops)
        idle = [sample | {"out_packets": 0, "out_discards": 0} for sample in samples if sample["port"] == "m2"]
        return at_once([s for s in samples if s["port"] == "m1"] + idle, 12 * WINDOW_S)

    def test_at_88_per_cent_without_drops_is_a_warning(self):
        assert self.severity((0.88, 0.02), out_packets=10_000, out_discards=0) == "warning"

    def test_of_a_full_member_that_drops_two_in_ten_thousand_is_major(self):
        found = self.full(self.DROPS)

        (finding,) = found.findings
        assert found.members.utilisation[0, 0, 0] == pytest.approx(0.987, abs=5e-4)
        assert finding.discard_ratio == pytest.approx(2.0e-4, rel=1e-3)
        assert finding.severity == "major"

    def test_of_a_full_member_with_one_conversation_alone_on_it_is_minor(self):
        windows = team_windows([[hot(utilisation=0.987, discards=2e-4)] * 10])

        _, level = levels(no_depth(1), windows, np.array([[True, False]]))

        assert SEVERITY_ORDER[level[0, -1, 0]] == "minor"

    def test_of_a_million_to_one_at_a_thousandth_of_a_per_cent_is_nothing(self):
        found = at_once(held((0.00001, 0.00000000001), 20), 20 * WINDOW_S)

        assert found.findings == ()
        assert kinds(found) == {"none"}
