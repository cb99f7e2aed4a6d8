"""Samples come in as they are told: again without harm, as counters or rates, with packets or without, renumbered.

And who is a member, and what for: as people declared it, as devices say it, and as it is believed.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from capabilities.readings import START_S, a_reading, held
from evaluation.rounds import Rounds
from exports import a_long_mapping, a_wide_mapping, windows_of
from walks.outcome import at_once, left, same_figures
from walks.road import road
from walks.traffic import polls

from service.commands import inventoried
from service.errors import UnusableInput
from service.evaluation import standing
from service.feeds import body, inventory_file, rate_export
from service.feeds.mapping import Series
from service.feeds.mirrored import mirrored
from service.rules.reconcile import reconciled
from service.storage import claims
from service.storage.database import reading
from service.terms import BASIS_WORDS, DECLARED, DISCOVERED, STATUS_WORDS, WHY_NOT_WORDS, Claim, Role


@pytest.fixture
def way(engine):
    with road(engine) as road_:
        yield road_


class TestCol2NarrowCounters:
    """2^32 octets wrap in 34.36 s at 1 Gbit/s, in 3.44 s at 10 Gbit/s (RFC 2863 section 3.1.6 for why; by division)."""

    def found(self, speed_bps):
        told = [a_reading(30 * k, out_octets=1_875_000_000 * k % 2**32, counter_bits=32) for k in range(4)]
        return at_once([one | {"speed_bps": speed_bps} for one in told], 90)

    def test_at_a_gigabit_are_taken_with_the_caution_to_poll_at_most_every_27_s(self):
        found = self.found(10**9)

        # 1,875,000,000 octets in 30 s are half of 1 Gbit/s (by hand).
        assert found.members.utilisation[0, :, 0].tolist() == pytest.approx([0.5] * 3, abs=1e-12)
        (event,) = found.events
        assert event.kind == "wraps-soon"
        assert "poll at most every 27 s" in event.text

    def test_at_ten_gigabits_are_not_measurable_and_never_a_plausible_number(self):
        found = self.found(10**10)

        assert np.isnan(found.members.utilisation[0, :, 0]).all()
        (event,) = found.events
        assert event.text.startswith("not measurable with 32-bit counters at this speed")
        assert "Use the 64-bit counters" in event.text


class TestCol4PushedAgain:
    """500 samples of which one is malformed: 499 are taken, and the same again changes nothing (counted by hand)."""

    END_S = 249 * 10  # 250 polls of two members

    @pytest.fixture
    def batch(self):
        samples = polls((self.END_S / 60, (0.92, 0.02)))
        samples[123]["out_octets"] = "many"
        assert len(samples) == 500
        return samples

    def test_takes_499_and_names_the_one_by_index_and_reason(self, way, batch):
        way.clock.advance_to((START_S + self.END_S) * 1000)

        answer = way.push(batch)

        assert (answer["accepted"], answer["duplicates"]) == (499, 0)
        [rejected] = answer["rejected"]
        assert (rejected["index"], rejected["column"], rejected["value"]) == (123, "out_octets", "many")
        assert "send the number without quotes" in rejected["reason"]

    def test_the_same_again_is_499_duplicates_and_the_same_windows(self, way, batch):
        way.clock.advance_to((START_S + self.END_S) * 1000)
        way.push(batch)
        way.work(self.END_S + 90)
        before = left(way.parts.engine, self.END_S)

        answer = way.push(batch)
        way.work(self.END_S + 180)

        assert (answer["accepted"], answer["duplicates"], len(answer["rejected"])) == (0, 499, 1)
        after = left(way.parts.engine, self.END_S)
        assert same_figures(after.members, before.members)
        assert not after.restated.any()
        assert [finding.kind for finding in after.found] == ["uneven"]


class TestCol5CounterOrRate:
    """8 x 3,000,000,000 octets / 30 s = 800,000,000 bit/s, 80 % of 1 Gbit/s (arithmetic)."""

    @pytest.mark.parametrize(
        ("first", "last"),
        [
            ({"out_bps": 800_000_000}, {"out_bps": 800_000_000}),
            ({"out_octets": 0}, {"out_octets": 3_000_000_000}),
        ],
        ids=["rate", "counter"],
    )
    def test_800_megabits_a_second_of_a_gigabit_are_80_per_cent_either_way(self, first, last):
        found = at_once([a_reading(0, **first), a_reading(30, **last)], 30)

        assert found.members.utilisation[0, 0, 0] == pytest.approx(0.80, abs=1e-12)
        assert found.intervals.octets[1, 0] == 3_000_000_000

    def test_a_rate_that_rises_is_no_counter(self):
        found = at_once([a_reading(0, out_bps=100_000_000), a_reading(30, out_bps=800_000_000)], 30)

        assert found.members.utilisation[0, 0, 0] == pytest.approx(0.80, abs=1e-12)


class TestCol5Export:
    """A gigabit link's chart tops out near 115,000 kB/s, 1 kB being 1,000 octets (common practice, no source)."""

    @pytest.fixture
    def chart(self, tmp_path):
        file = tmp_path / "chart.csv"
        lines = [f"{START_S + 20 * n},115000,2500" for n in (1, 2, 3)]
        file.write_text("\n".join(["at,m1 sent,m2 sent", *lines]) + "\n")
        return file

    @pytest.mark.parametrize(("unit", "share"), [("kB/s", 0.92), ("kbit/s", 0.115)])
    def test_an_export_in_kilobytes_is_8_times_the_same_in_kilobits(self, chart, unit, share):
        series = (Series("m1 sent", "m1", "egress"), Series("m2 sent", "m2", "egress"))

        found = windows_of(rate_export.read(chart, a_wide_mapping(unit=unit, series=series)), 2)

        assert found.utilisation[0, :, 0] == pytest.approx([share, share], abs=1e-6)

    def test_a_unit_is_never_guessed(self, chart):
        with pytest.raises(UnusableInput, match="none is guessed"):
            rate_export.read(chart, a_wide_mapping(unit=""))


class TestCol6Basis:
    def test_a_sample_without_packets_is_kept_and_counted_octets(self, way):
        samples = held((0.5, 0.4), 3)
        way.clock.advance_to((START_S + 90) * 1000)

        assert way.push(samples)["accepted"] == 8
        way.work(90 + 90)

        bases = left(way.parts.engine, 90).members.basis[:, :, 0]
        assert {BASIS_WORDS[basis] for basis in np.unique(bases)} == {"counted"}

    def test_a_sample_with_packets_is_on_wire(self):
        found = at_once(held((0.5, 0.4), 3, out_packets=1_000_000), 90)

        # 1,000,000 frames x 20 octets (IEEE 802.3: preamble, delimiter, gap) are 0.53 points of 30 s at 1 Gbit/s.
        assert {BASIS_WORDS[basis] for basis in found.members.basis[:, :, 0].ravel()} == {"wire"}
        assert found.members.utilisation[0, 0, 0] == pytest.approx(0.5 + 8 * 20_000_000 / 30e9, abs=1e-9)

    def test_a_finding_never_changes_its_basis_while_it_is_open(self):
        windows, dropped_after = 40, 5 * 30
        samples = held((0.92, 0.02), windows, out_packets=1_000_000)
        for sample in samples:
            if sample["time"] > START_S + dropped_after:
                del sample["out_packets"]

        found = at_once(samples, windows * 30)

        (finding,) = found.findings
        assert found.members.basis[0, 4, 0] != found.members.basis[0, 5, 0]
        assert finding.basis == "wire"
        assert finding.windows_evaluable == 5
        # What nobody can compare for ten minutes, 20 windows, is unverified and not over (this project's rule).
        assert (finding.cleared_ms, finding.unverified) == (None, True)


class TestCol7Renumbered:
    """Index 3 and 4 change places in a restart; RFC 2863 section 3.1.5: an ifIndex need not survive one."""

    # Addresses for documentation, RFC 7042 section 2.1.2 (from memory).
    UP1, UP2 = {"port": "up1", "mac": "00:00:5e:00:53:01"}, {"port": "up2", "mac": "00:00:5e:00:53:02"}

    def test_ports_keep_their_counters_by_name_and_address(self):
        found = at_once(
            [
                a_reading(0, **self.UP1, if_index=3, out_octets=8_000_000_000_000),
                a_reading(0, **self.UP2, if_index=4, out_octets=1_000_000_000),
                a_reading(30, **self.UP2, if_index=3, out_octets=1_000_500_000),
                a_reading(30, **self.UP1, if_index=4, out_octets=8_003_000_000_000),
            ],
            30,
        )

        grown = found.intervals.octets[:, 0][found.intervals.octets[:, 0] >= 0]
        assert grown.tolist() == [3_000_000_000, 500_000]
        assert found.members.utilisation[0, 0, 0] == pytest.approx(0.80, abs=1e-12)
        assert found.events == ()

    def test_a_name_that_another_port_took_over_has_no_value(self):
        found = at_once(
            [
                a_reading(0, port="eth3", mac=self.UP1["mac"], out_octets=8_000_000_000_000),
                a_reading(30, port="eth3", mac=self.UP2["mac"], out_octets=8_000_000_500_000),
            ],
            30,
        )

        assert STATUS_WORDS[found.intervals.status[1, 0]] == "identity-changed"
        assert np.isnan(found.members.utilisation[0, 0, 0])
        assert [event.kind for event in found.events] == ["identity-changed"]


class TestCol10Vantage:
    """What a switch receives from a host, the host has sent: the two ends of a cable mirror each other (no source)."""

    def test_a_switch_s_file_with_902_in_and_41_out_is_902_of_egress_and_41_of_ingress(self, tmp_path):
        file = tmp_path / "switch.csv"
        lines = [f"{START_S + 30 * n},m1,902,41" for n in (1, 2)]
        file.write_text("\n".join(["at,nic,got,sent", *lines]) + "\n")
        mapping = a_long_mapping(
            unit="Mbit/s",
            interval_s=30,
            vantage="far-end",
            device_column="",
            device="sm-07",
            team_column="",
            team="front",
        )

        found = windows_of(rate_export.read(file, mapping), 2)

        assert found.utilisation[0, :, 0] == pytest.approx([0.902, 0.902], abs=1e-6)
        assert found.utilisation[0, :, 1] == pytest.approx([0.041, 0.041], abs=1e-6)

    def test_counters_of_the_far_end_change_over_alike(self):
        samples = [a_reading(30 * n, in_octets=n * 3_382_500_000, out_octets=n * 153_750_000) for n in (0, 1)]
        far = body.parse(json.dumps({"samples": samples}).encode(), "application/json")

        found = windows_of(mirrored(far), 1)

        # 3,382,500,000 octets x 8 / 30 s = 902 Mbit/s, 153,750,000 likewise 41 (arithmetic).
        assert found.utilisation[0, 0].tolist() == pytest.approx([0.902, 0.041], abs=1e-12)


class TestCol8Roles:
    """A list declares up1 active and up2 standby; the device says that both are active."""

    DECLARED = (
        Claim("sm-07", "up1", DECLARED, "front", Role.ACTIVE),
        Claim("sm-07", "up2", DECLARED, "front", Role.STANDBY),
    )
    SAID = tuple(Claim("sm-07", port, DISCOVERED, "front", Role.ACTIVE) for port in ("up1", "up2"))

    def test_that_people_and_device_tell_differently_are_both_shown_and_the_conflict_told(self):
        up1, up2 = reconciled(self.DECLARED + self.SAID)

        assert (up1.role, up1.conflict) == (Role.ACTIVE, "")
        assert (up2.declared.role, up2.discovered.role) == (Role.STANDBY, Role.ACTIVE)
        assert up2.conflict == "declared standby, its device says active: the device is believed"

    @pytest.mark.parametrize(("override", "why"), [(False, ""), (True, "standby by design")])
    def test_that_are_declared_win_only_where_they_override(self, engine, override, why):
        rounds = Rounds(engine)
        with engine.begin() as connection:
            claims.keep(connection, [Claim("sm-07", "m2", DECLARED, "front", Role.STANDBY, override=override)], 0)

        rounds.walk([one | {"role": "active"} for one in polls((4, (0.92, 0.02)))], 240)

        kept = left(engine, 240)
        assert {WHY_NOT_WORDS[code] for code in kept.members.why_not[1, 1:, 0].ravel()} == {why}
        # A standby is no idle sibling: then nothing is uneven, the hot member just has none.
        assert [one.kind for one in kept.found] == (["hot-no-sibling"] if override else ["uneven"])

    @pytest.mark.parametrize(("team", "kind"), [("front", "hot-no-sibling"), ("store", "uneven")])
    def test_that_are_declared_count_where_nobody_else_tells_any(self, engine, team, kind):
        rounds = Rounds(engine)
        with engine.begin() as connection:
            claims.keep(connection, [Claim("sm-07", "m2", DECLARED, team, Role.STANDBY)], 0)

        rounds.walk(polls((4, (0.92, 0.02))), 240)

        assert [one.kind for one in left(engine, 240).found] == [kind]


class TestInt3Inventory:
    """A file with 24 hosts, of which one is not there, and one more that sends (counted by hand)."""

    HOSTS = tuple(f"uw-{k:02}" for k in range(1, 25))
    MISSING, UNKNOWN = "uw-17", "uw-99"

    @pytest.fixture
    def imported(self, engine, tmp_path):
        file = tmp_path / "floor.csv"
        sending = [host for host in self.HOSTS if host != self.MISSING] + [self.UNKNOWN]
        Rounds(engine).push([one | {"device": host} for host in sending for one in polls((1, (0.2,)))], 60)

        def take(hosts, **how):
            file.write_text("\n".join(["device,port,team", *(f"{host},m1,front" for host in hosts)]) + "\n")
            listed = inventory_file.parse(file.read_bytes(), str(file), file.name)
            how = {"dry_run": False, "remove_missing": False, **how}
            return inventoried.imported(engine, listed, file, who="keeper", now_ms=(START_S + 60) * 1000, **how)

        return take

    def marked(self, engine):
        with reading(engine) as connection:
            every = standing.page(connection, (START_S + 60) * 1000, limit=500).items
        missing = {one.believed.device for one in every if one.missing}
        return len(every), missing, {one.believed.device for one in every if one.unknown}

    def test_lists_the_one_that_is_missing_and_the_one_that_is_unknown(self, engine, imported):
        imported(self.HOSTS)

        assert self.marked(engine) == (25, {self.MISSING}, {self.UNKNOWN})

    def test_deletes_nothing_without_consent(self, engine, imported):
        imported(self.HOSTS)
        fewer = self.HOSTS[:-1]

        done = imported(fewer)
        with reading(engine) as connection:
            assert ([one.device for one in done.absent], done.removed) == (["uw-24"], False)
            assert len(claims.declared(connection)) == 24

        imported(fewer, remove_missing=True)
        with reading(engine) as connection:
            assert len(claims.declared(connection)) == 23
