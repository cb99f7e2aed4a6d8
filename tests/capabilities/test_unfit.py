"""A member that is up and does not carry is its own, more serious kind, and is offered no load.

Figures of the hard case "the idle sibling must not get the traffic"; states as in the LACPDU's octet (IEEE 802.1AX).
"""

from __future__ import annotations

import pytest
from capabilities.readings import START_S, WINDOW_S, a_reading, octets_in
from evaluation.rounds import Rounds
from examples import EPOCH_MS
from walks.outcome import at_once, left

from service.replaying import kept
from service.replaying.judging import Errand, Trial, replayed
from service.replaying.kept import Choice, KeptWindows
from service.replaying.ruling import Ruling
from service.rules.bundle_states import unfit
from service.storage import claims, events, inventory, windows
from service.terms import DISCOVERED, BundleState, Claim, Kind, Mark, Rule, Severity, WhyNot
from service.webhooks.wording import text_of

WINDOWS = 24
BUSY = {
    "out_octets": octets_in(0.40),
    "in_octets": octets_in(0.75),
    "out_packets": 600_000,
    "in_packets": 900_000,
    "out_mcast_packets": 3,
    "in_mcast_packets": 30,
    "out_bcast_packets": 3,
    "in_bcast_packets": 30,
    "in_errors": 0,
}
SILENT = {"in_octets": 900, "in_packets": 9, "in_mcast_packets": 9, "in_bcast_packets": 0}
A_SENDS = BUSY | SILENT | {"out_octets": octets_in(0.38)}
# 6,000 packets in ten minutes, 5,760 of them broadcast.
B_ASKS = BUSY | SILENT | {"out_octets": 36_000, "out_packets": 300, "out_bcast_packets": 288}
C_DAMAGES = BUSY | {"in_packets": 898_200, "in_errors": 1_800}
CARRIES, COLLECTS = 0x3D, 0x1D
SAME = ("kind", "severity", "since_ms", "raised_ms", "cleared_ms", "hot", "direction")


def told(*members, windows=WINDOWS):
    """Readings on the windows' edges of members whose counters grow by so much a window."""
    return [
        a_reading(window * WINDOW_S, f"m{place + 1}", **{name: count * window for name, count in grows.items()})
        for window in range(windows + 1)
        for place, grows in enumerate(members)
    ]


def the_build_finding(found):
    (finding,) = (finding for finding in found.findings if finding.family == "build")
    return finding


class TestDet8NotCarrying:
    CASES = (
        (A_SENDS, ("one-sided", "ingress", Severity.MAJOR), 20, "nothing addressed to it comes in"),
        (B_ASKS, ("unanswered", "egress", Severity.MAJOR), 20, "broadcast share 0.96"),
        (C_DAMAGES, ("sick", "ingress", Severity.MINOR), 3, "error ratio 0.002"),
    )

    @pytest.mark.parametrize(("member", "told_as", "windows", "sign"), CASES)
    def test_is_its_own_kind(self, member, told_as, windows, sign):
        finding = the_build_finding(at_once(told(BUSY, member), WINDOWS * WINDOW_S))

        assert (finding.kind, finding.direction, finding.severity) == told_as
        assert finding.raised_ms - finding.since_ms == windows * WINDOW_S * 1000
        assert [member.port for member in finding.hot] == ["m2"]
        assert any(sign in line for line in finding.evidence.speaks_for)

    @pytest.mark.parametrize("member", [A_SENDS, B_ASKS, C_DAMAGES])
    def test_is_no_spare_room(self, member):
        found = at_once(told(BUSY, member), WINDOWS * WINDOW_S)

        assert found.members.why_not[1, -1, 0] == WhyNot.BROKEN
        assert (found.teams.idle[0, -1] == 0).all()
        assert found.teams.stranded_bps[0, -1, 0] == pytest.approx(0, abs=1)
        # 77 % with what frames add on the wire: hot, and nobody is left to share with.
        assert found.teams.kind[0, -1, 1] == Kind.HOT_NO_SIBLING

    @pytest.mark.parametrize("member", [A_SENDS, B_ASKS, C_DAMAGES])
    def test_is_not_offered_load(self, member):
        text = text_of(the_build_finding(at_once(told(BUSY, member), WINDOWS * WINDOW_S)), "raised")

        assert text.splitlines()[1] == "Do not move load to m2 (broken)."

    @pytest.mark.parametrize("member", [A_SENDS, B_ASKS, C_DAMAGES])
    def test_is_found_live_as_at_once(self, engine, member):
        samples, end_s = told(BUSY, member), WINDOWS * WINDOW_S
        rounds = Rounds(engine)

        rounds.walk(samples, end_s, step_s=90)

        def outcome(found):
            return sorted((one.kind, one.since_ms, one.raised_ms, one.severity) for one in found)

        assert outcome(left(engine, end_s).found) == outcome(at_once(samples, end_s).findings)

    def test_is_still_known_after_a_restart(self, engine):
        samples, end_s = told(BUSY, B_ASKS, windows=40), 40 * WINDOW_S
        rounds = Rounds(engine)
        rounds.walk([s for s in samples if s["time"] <= samples[0]["time"] + 15 * WINDOW_S], 15 * WINDOW_S)
        again = Rounds(engine)  # nothing is remembered but what is kept

        again.push(samples, end_s)
        again.run(end_s + 90)

        build = [one for one in left(engine, end_s).found if one.family == "build"]
        assert [(one.kind, one.raised_ms) for one in build] == [("unanswered", EPOCH_MS + 20 * WINDOW_S * 1000)]

    @pytest.mark.parametrize("restarted", [False, True])
    def test_stays_with_its_member_where_another_leaves_the_team(self, engine, restarted):
        readings = told(BUSY, BUSY, C_DAMAGES, windows=20)
        stays = [one for one in readings if one["port"] != "m1"]
        until_s = 8 * WINDOW_S
        rounds = Rounds(engine)
        rounds.walk([one for one in readings if one["time"] <= START_S + until_s], until_s)
        moved = [a_reading(until_s + WINDOW_S, "m1", out_octets=0, in_octets=0) | {"team": "store"}]

        rounds = Rounds(engine) if restarted else rounds
        rounds.push(moved, until_s + WINDOW_S)
        for window in range(9, 21):
            rounds.push([one for one in stays if one["time"] == START_S + window * WINDOW_S], window * WINDOW_S)
            rounds.run(window * WINDOW_S + 90)

        with engine.connect() as connection:
            team = inventory.teams(connection, device="sm-07").items[0]
            from_ms, to_ms = (EPOCH_MS + window * WINDOW_S * 1000 for window in (10, 20))
            marks = windows.read(connection, team.id, from_ms, to_ms).members.marks
        assert team.members == ("m2", "m3")
        assert [bool((of_port & Mark.SICK).all()) for of_port in marks] == [False, True]
        assert not (marks[0] & Mark.SICK).any()
        (finding,) = (one for one in left(engine, 20 * WINDOW_S).found if one.family == "build")
        assert (finding.kind, finding.cleared_ms) == ("sick", None)


class TestExp5MisBuilt:
    def keep(self, engine, *states):
        with engine.begin() as connection:
            said = [
                Claim("sm-07", f"m{place + 1}", DISCOVERED, "front", state=state) for place, state in enumerate(states)
            ]
            claims.keep(connection, said, EPOCH_MS)

    def test_tells_that_the_far_end_collects_and_does_not_distribute_after_twenty_windows(self, engine):
        self.keep(engine, BundleState(CARRIES, CARRIES, 0xAA, 7), BundleState(CARRIES, COLLECTS, 0xAA, 7))
        octets = {name: BUSY[name] for name in ("out_octets", "in_octets")}

        # By octets alone nobody could tell.
        Rounds(engine).walk(told(octets, octets | {"in_octets": 0}), WINDOWS * WINDOW_S, step_s=90)

        (finding,) = (one for one in left(engine, WINDOWS * WINDOW_S).found if one.family == "build")
        assert (finding.kind, finding.raised_ms - finding.since_ms) == ("one-sided", 20 * WINDOW_S * 1000)
        assert any("far end does not distribute on m2" in line for line in finding.evidence.speaks_for)

    def test_leaves_out_the_member_that_leads_to_another_partner(self, engine):
        states = BundleState(CARRIES, CARRIES, 0xAA, 7), BundleState(CARRIES, CARRIES, 0xBB, 7)
        assert unfit(states) == ("", "two-partners")
        self.keep(engine, *states)

        Rounds(engine).walk(told(BUSY, BUSY, windows=4), 4 * WINDOW_S)

        members = left(engine, 4 * WINDOW_S).members
        assert (members.why_not[1] == WhyNot.BROKEN).all()
        assert (members.marks[1] & Mark.MISBUILT).all()
        with engine.connect() as connection:
            noted = events.listing(connection, device="sm-07").items
        assert [(one.event.kind, one.event.port) for one in noted] == [("two-partners", "m2")]


class TestReplayOfKeptWindows:
    @pytest.mark.parametrize(
        ("states", "second"),
        [
            (
                (CARRIES, COLLECTS),
                BUSY | {"in_octets": 0, "in_packets": 0, "in_mcast_packets": 0, "in_bcast_packets": 0},
            ),
            ((CARRIES, CARRIES), C_DAMAGES),
            (("", ""), A_SENDS),
            (("", ""), B_ASKS),
        ],
    )
    def test_finds_what_was_found_live(self, engine, states, second):
        said = [
            Claim("sm-07", f"m{place + 1}", DISCOVERED, "front", state=BundleState(CARRIES, partner, 0xAA, 7))
            for place, partner in enumerate(states)
            if partner
        ]
        with engine.begin() as connection:
            claims.keep(connection, said, EPOCH_MS)
        end_s = WINDOWS * WINDOW_S
        Rounds(engine).walk(told(BUSY, second), end_s)
        live = left(engine, end_s)
        present = Ruling(Rule(), {})
        trial = Trial(present, present.changed({"hot_above": 0.8}), EPOCH_MS, EPOCH_MS + end_s * 1000)

        (placed,) = kept.placed_of(engine, Choice())
        found = replayed(Errand(KeptWindows(engine, placed), trial))

        (mine,) = (one for one in found.present if one.family == "build")
        (theirs,) = (one for one in live.found if one.family == "build")
        assert [getattr(mine, name) for name in SAME] == [getattr(theirs, name) for name in SAME]
        assert mine.evidence.speaks_for[0] in theirs.evidence.speaks_for

    def test_keeps_out_what_the_bundle_left_out(self, engine):
        states = BundleState(CARRIES, CARRIES, 0xAA, 7), BundleState(CARRIES, CARRIES, 0xBB, 7)
        with engine.begin() as connection:
            said = [Claim("sm-07", f"m{at + 1}", DISCOVERED, "front", state=state) for at, state in enumerate(states)]
            claims.keep(connection, said, EPOCH_MS)
        hot, idle = ({**BUSY, "in_octets": 0, "out_octets": octets_in(share)} for share in (0.90, 0.05))
        Rounds(engine).walk(told(hot, idle), WINDOWS * WINDOW_S)
        present = Ruling(Rule(), {})
        trial = Trial(present, present, EPOCH_MS, EPOCH_MS + WINDOWS * WINDOW_S * 1000)

        (placed,) = kept.placed_of(engine, Choice())
        found = replayed(Errand(KeptWindows(engine, placed), trial))

        assert [one.kind for one in found.present] == ["hot-no-sibling"]
        assert [one.kind for one in left(engine, WINDOWS * WINDOW_S).found] == ["hot-no-sibling"]
