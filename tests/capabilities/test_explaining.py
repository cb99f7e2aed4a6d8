"""Explaining: who decides, why it is so, how sure, what is missing, and what harm at the end where it happens."""

from __future__ import annotations

from dataclasses import replace

import pytest
from capabilities.readings import WINDOW_S, a_reading, held, octets_in
from evaluation.rounds import Rounds
from rules.diagnoses.situations import a_situation, an_item, finding_of, packets, windows
from walks.outcome import at_once

from service.rules.diagnoses import large_item, low_entropy, one_conversation, polarisation, signs
from service.rules.diagnoses.explaining import explained
from service.rules.situation import FarEnd
from service.storage import findings, inventory, items
from service.storage.database import reading
from service.terms import Endpoints, ItemReading, Severity
from service.webhooks.wording import text_of

FRAME, ON_WIRE = 1518, 1538


def conversation(windows_before=2, windows_after=4, drops=0):
    """A member that goes from 2 % to 98.7 % in large frames that are acknowledged, beside one at 2 %."""
    told = []
    for port in ("m1", "m2"):
        sent = back = 0
        told.append(a_reading(0, port, out_octets=0, in_octets=0, out_packets=0, in_packets=0, out_discards=0))
        for window in range(windows_before + windows_after):
            heavy = port == "m1" and window >= windows_before
            sent += round(octets_in(0.987 if heavy else 0.02) / ON_WIRE)
            back += 40_100 * WINDOW_S * heavy
            counted = {"out_packets": sent, "out_octets": sent * FRAME, "in_packets": back, "in_octets": back * 66}
            counted["out_discards"] = drops * (window + 1) if port == "m1" else 0
            told.append(a_reading((window + 1) * WINDOW_S, port, **counted))
    return told


class TestExp1WhoDecides:
    def test_ingress_of_a_bundle_is_the_far_ends_and_the_message_says_so(self):
        told = windows([[0.41] * 4, [0.39] * 4], [[0.91] * 4, [0.03] * 4])
        situation = a_situation(told, direction="ingress", method="layer4-tuple", bundle="lacp")

        text = text_of(explained(situation), "raised")

        assert (
            "Whose: network; the far end chooses ingress members by its own hash;"
            " changing this end's method will not change this." in text
        )

    def test_asks_for_what_nobody_told(self):
        found = at_once(held((0.92, 0.02), 4), 4 * WINDOW_S)

        (finding,) = found.findings
        assert finding.decided_by
        assert "method and far-end bundle unknown" in finding.evidence.missing


class TestExp2OneConversation:
    def test_is_probable_from_counters(self):
        (finding,) = at_once(conversation(), 6 * WINDOW_S).findings

        assert (finding.diagnoses[0].name, finding.confidence) == ("one-conversation", "probable")
        assert any("rose by 96.7 points" in sign for sign in finding.evidence.speaks_for)

    def test_is_shown_by_one_record_of_90_per_cent(self):
        told = windows([[0.02, 0.02, 0.987, 0.987, 0.987], [0.02] * 5])
        situation = a_situation(told, items=(an_item("a > b", "m1", 960, "conversation"),))

        assert one_conversation.diagnosis(situation, signs.of(situation)).sure == "shown"

    def test_is_told_in_the_first_message_and_shown_once_records_come(self, engine):
        rounds = Rounds(engine)
        rounds.push(conversation(windows_after=8), 10 * WINDOW_S)
        rounds.run(6 * WINDOW_S + 90)
        with reading(engine) as connection:
            (kept,) = findings.listing(connection).items
        assert (kept.finding.diagnoses[0].name, kept.finding.confidence) == ("one-conversation", "probable")

        with engine.begin() as connection:
            items.keep(connection, [(port_of(connection), a_record(kept.finding.since_ms))])
        rounds.run(10 * WINDOW_S + 90)

        with reading(engine) as connection:
            (kept,) = findings.listing(connection).items
        assert kept.finding.confidence == "shown"
        assert "conversation 192.0.2.1 > 198.51.100.9 carries" in kept.finding.evidence.speaks_for[0]


def port_of(connection):
    return int(inventory.layout(connection).port_ids[0])


def a_record(since_ms):
    """A conversation that carried 960 Mbit/s for five minutes."""
    end_ms = since_ms + 300_000
    octets = 300 * 960_000_000 // 8
    return ItemReading("sm-07", "m1", 0, "conversation", "192.0.2.1 > 198.51.100.9", since_ms, end_ms, octets, 1)


class TestExp3Collision:
    def test_of_480_and_472_is_shown_and_could_be_48_2_per_cent(self):
        parts = (("vp11", "m1", 480), ("vp12", "m1", 472), ("vp13", "m2", 6), ("vp14", "m2", 4))
        told = windows([[0.952] * 4, [0.010] * 4])

        found = explained(a_situation(told, items=tuple(an_item(*part) for part in parts)))

        assert (found.diagnoses[0].name, found.confidence) == ("collision", "shown")
        assert any("48.2 %" in sign for sign in found.evidence.speaks_for)


class TestExp4Polarisation:
    def test_of_two_stages_modulo_2_leaves_all_on_link_0(self):
        assert polarisation.reached(range(8), [(2, 0)], 2) == (4, 0)

    def test_of_one_gateway_address_is_low_entropy(self):
        told = windows([[0.02] * 4] * 2, [[0.9] * 4, [0.01] * 4])
        gateway = [Endpoints(f"192.0.2.{n}", "198.51.100.9", 6, 4000 + n, 443, "02:00:5e:00:00:01") for n in range(6)]
        items_ = tuple(an_item(f"c{n}", "m1", 150, "conversation", endpoints=end) for n, end in enumerate(gateway))
        situation = a_situation(told, direction="ingress", items=items_)

        found = low_entropy.diagnosis(situation, signs.of(situation))

        assert (found.sure, "one hardware address" in found.text) == ("shown", True)


class TestExp6Evidence:
    def test_is_for_against_and_missing_with_a_word_for_how_sure(self):
        (finding,) = at_once(conversation(), 6 * WINDOW_S).findings

        evidence = finding.diagnoses[0].evidence
        assert [
            any(word in sign for sign in evidence.speaks_for) for word in ("steady", "rose by", "large frames")
        ] == [True] * 3
        assert evidence.against == ()
        assert evidence.missing == ("flow records or virtual-port counters",)
        assert "Why: one large conversation fills m1; no method can split it (probable)." in text_of(finding, "raised")


class TestExp7Harm:
    """481 drops beside 2,406,000 packets in 30 s are 481 / 2,406,481 = 2.0e-4 (arithmetic)."""

    def test_outward_is_counted_here(self):
        (finding,) = at_once(conversation(drops=481), 6 * WINDOW_S).findings

        assert finding.discard_ratio == pytest.approx(481 / 2_406_481, rel=2e-3)

    def test_inward_is_unknown_without_the_far_end_port_and_not_none(self):
        told = windows([[0.02] * 4] * 2, [[0.9] * 4, [0.02] * 4])
        finding = replace(finding_of(told, "ingress"), discard_ratio=None)

        unknown = explained(a_situation(told, finding=finding))
        counted = explained(a_situation(told, finding=finding, far_ends=(FarEnd("sw-1", "e1", 2e-4),)))

        assert "Drops unknown." in text_of(unknown, "raised")
        assert counted.discard_ratio == 2e-4


class TestDet6PingPong:
    def test_names_the_largest_virtual_port(self):
        to, fro = [0.8, 0.05] * 4, [0.05, 0.8] * 4
        told = windows([to, fro])
        finding = finding_of(told, kind="oscillating")
        situation = a_situation(told, finding=finding, items=(an_item("vp9", "m1", 800),))

        assert large_item.diagnosis(situation, signs.of(situation)).text == (
            "largest virtual port vp9 80 % > threshold 75 %"
        )


class TestDet10OneAlone:
    def severity(self, *rates):
        """Of a full member that drops two packets in ten thousand, with conversations of these rates on it."""
        told = windows([[0.0, 0.0, *[0.987] * 12], [0.02] * 14], packets=packets([[1.0] * 14] * 2, [[1.0] * 14] * 2))
        finding = finding_of(told, severity=Severity.MAJOR, discard_ratio=2e-4)
        parts = tuple(an_item(f"c{n}", "m1", rate, "conversation") for n, rate in enumerate(rates))
        return explained(a_situation(told, finding=finding, items=parts)).severity

    def test_is_major_with_two_and_minor_with_one_alone(self):
        assert self.severity(500, 487) == "major"
        assert self.severity(980) == "minor"
