import pytest
from examples import EPOCH_MS, GIGABIT, a_finding
from hypothesis import given
from hypothesis import strategies as st

from service.terms import CUT_OFF, KIND_WORDS, WHY_NOT_WORDS, Diagnosis, Evidence, MemberFigure, Severity, Sure
from service.webhooks.wording import MOST_LETTERS, NO_TARGET, text_of

MINUTE = 60_000
WHATS = ("raised", "severity", "recurrent", "unverified", "unshelved", "cleared", "combined")

shares = st.one_of(st.none(), st.floats(0, 1.1), st.just(float("nan")))
names = st.one_of(st.text(max_size=255), st.sampled_from(["x" * 255, "@here" * 51, "", "\u202e", "{device}{0}%s"]))
signs = st.lists(st.text(max_size=400), max_size=8).map(tuple)
members = st.builds(MemberFigure, names, shares, st.integers(0, 10**12), st.sampled_from(WHY_NOT_WORDS))
some_members = st.lists(members, max_size=8).map(tuple)
since = st.integers(0, 4_000_000_000_000)
weird_findings = st.builds(
    lambda told, since_ms: a_finding(**told, since_ms=since_ms, raised_ms=since_ms + 90_000),
    st.fixed_dictionaries(
        {
            "device": names,
            "team": names,
            "peak_port": names,
            "direction": st.sampled_from(["egress", "ingress"]),
            "kind": st.sampled_from(KIND_WORDS[1:]),
            "family": st.sampled_from(["distribution", "capacity", "build"]),
            "severity": st.sampled_from(list(Severity)),
            "cleared_ms": st.one_of(st.none(), since),
            "hot": some_members,
            "idle": some_members,
            "members": some_members,
            "peak": st.floats(allow_nan=True),
            "even_split": st.floats(allow_nan=True),
            "usable_bps": st.integers(-1, 10**13),
            "stranded_bps": st.integers(-1, 10**13),
            "discard_ratio": shares,
            "basis": st.sampled_from(["none", "counted", "wire", "inferred", ""]),
            "recurrences": st.integers(0, 10**6),
            "uncertain": st.booleans(),
            "owner": st.one_of(st.none(), names),
            "diagnosis": st.one_of(st.none(), st.text(max_size=2000)),
            "confidence": st.one_of(st.none(), names),
            "evidence": st.builds(Evidence, signs, signs, signs),
            "rule_note": names,
        }
    ),
    since,
)


class TestTextOf:
    def test_says_all_that_matters_in_its_first_line(self):
        text = text_of(a_finding(raised_ms=EPOCH_MS + 6 * MINUTE), "raised")

        assert text.splitlines()[0] == (
            "sm-07, team front, egress: member m1 at 92 % for 6 min, member m2 at 2 % (1 G each). No drops. Can wait."
        )

    def test_goes_on_with_split_data_and_that_it_only_advises(self):
        text = text_of(a_finding(windows_seen=12, windows_evaluable=12, owner="virtualisation"), "raised")

        assert text.splitlines()[1:] == [
            "Whose: virtualisation.",
            "Evenly split all would be at 47 %. As split now the team can carry 1.02 G of 2 G.",
            "Data: complete, 12 of 12 windows, on wire. Since 10:00 UTC. Advice only.",
        ]

    @pytest.mark.parametrize(
        ("severity", "phrase"),
        [("major", "Act now."), ("critical", "Act now."), ("minor", "Today."), ("warning", "Can wait.")],
    )
    def test_says_whether_it_can_wait(self, severity, phrase):
        assert phrase in text_of(a_finding(severity=Severity(severity)), "raised").splitlines()[0]

    @pytest.mark.parametrize(
        ("ratio", "words"), [(None, "Drops unknown."), (0.0, "No drops."), (2e-4, "Drops 2e-4 of packets.")]
    )
    def test_says_what_harm_there_is_or_that_nobody_counts(self, ratio, words):
        assert words in text_of(a_finding(discard_ratio=ratio), "raised").splitlines()[0]

    def test_names_capacity_first_where_the_team_is_full_as_well(self):
        text = text_of(a_finding(kind="uneven-and-full", even_split=0.78), "raised")

        assert "egress: full, and uneven: member m1" in text.splitlines()[0]
        assert "at 78 %: capacity first" in text

    @pytest.mark.parametrize(
        ("kind", "opening"),
        [("full", "full: member"), ("skewed", "skewed: member"), ("oscillating", "oscillating: member")],
    )
    def test_opens_with_the_kind_where_it_is_not_the_usual_one(self, kind, opening):
        assert f"egress: {opening}" in text_of(a_finding(kind=kind), "raised")

    def test_says_how_many_are_hot_and_shows_every_member_of_a_larger_team(self):
        loads = zip(("m1", "m2", "m3", "m4"), (0.96, 0.97, 0.95, 0.18), strict=True)
        four = tuple(MemberFigure(port, load, GIGABIT) for port, load in loads)

        text = text_of(a_finding(hot=four[:3], idle=four[3:], members=four), "raised")

        assert "member m2 at 97 %" in text.splitlines()[0]
        assert "member m4 at 18 % (1 G each), 3 of 4 hot." in text.splitlines()[0]
        assert "Members: m1 96 %, m2 97 %, m3 95 %, m4 18 %." in text

    @pytest.mark.parametrize("why_not", sorted(NO_TARGET))
    def test_never_offers_load_to_a_member_that_cannot_take_it(self, why_not):
        m1, m2 = MemberFigure("m1", 0.92, GIGABIT), MemberFigure("m2", 0.0, GIGABIT, why_not)

        text = text_of(a_finding(kind="hot-no-sibling", hot=(m1,), idle=(), members=(m1, m2)), "raised")

        assert f"member m2 {why_not} (1 G each)" in text.splitlines()[0]
        assert f"Do not move load to m2 ({why_not})." in text
        assert "Evenly" not in text
        assert "repair or capacity first" in text

    def test_names_the_missing_member_where_the_team_is_degraded(self):
        m1, m2 = MemberFigure("m1", 0.61, GIGABIT), MemberFigure("m2", 0.55, GIGABIT)
        m3 = MemberFigure("m3", None, GIGABIT, "down")

        text = text_of(a_finding(kind="degraded", family="build", hot=(), idle=(), members=(m1, m2, m3)), "raised")

        assert "degraded: member m1 at 61 % for 90 s, member m3 down" in text
        assert "Members: m1 61 %, m2 55 %, m3 an unknown load." in text

    def test_tells_why_with_how_sure_and_what_is_missing(self):
        told = Evidence(("two steps up",), ("none of the siblings fell",), ("far-end counters.",))

        text = text_of(a_finding(diagnosis="two heavy ports share m1", confidence="probable", evidence=told), "raised")

        assert "Why: two heavy ports share m1 (probable)." in text
        assert "Signs: two steps up." in text
        assert "Against: none of the siblings fell." in text
        assert "Missing: far-end counters." in text

    def test_says_nothing_twice(self):
        told = Evidence(("m1 above 75 %", "evenly split all would be at 47 %"))

        text = text_of(a_finding(evidence=told), "raised")

        assert "Signs: m1 above 75 %." in text
        assert text.casefold().count("evenly split") == 1

    def test_names_a_rule_of_the_teams_own(self):
        assert "\nTeam rule: hot above 85 %, set by M. Quist.\n" in text_of(
            a_finding(rule_note="team rule: hot above 85 %, set by M. Quist"), "raised"
        )

    def test_says_where_the_data_has_holes(self):
        missing = Evidence(missing=("m3: no data",))

        text = text_of(a_finding(windows_seen=12, windows_evaluable=9, basis="counted", evidence=missing), "raised")

        assert "Missing: m3: no data." in text
        assert "Data: 9 of 12 windows, as counted, more on the wire." in text
        assert "complete" not in text

    def test_counts_the_returns_of_what_comes_and_goes(self):
        assert "Comes and goes: 3 times in an hour." in text_of(a_finding(recurrences=3), "recurrent")

    def test_tells_a_change_of_severity(self):
        finding = a_finding(severity=Severity.MINOR, updated_ms=EPOCH_MS + 15 * MINUTE)

        assert "egress: now minor: member m1 at 92 % for 15 min" in text_of(finding, "severity")

    def test_does_not_call_blindness_calm(self):
        text = text_of(a_finding(unverified=True), "unverified")

        assert "unverified: member m1 last at 92 %" in text
        assert "may be over or worse" in text

    def test_says_when_it_was_over_how_long_it_was_and_how_bad(self):
        finding = a_finding(cleared_ms=EPOCH_MS + 108 * MINUTE, hot_until_ms=EPOCH_MS + 103 * MINUTE, peak=0.93)

        assert text_of(finding, "cleared").splitlines()[0] == (
            "sm-07, team front, egress: over. Member m1 hot 10:00-11:43 (1 h 43 min), worst 93 %, member m2 at 2 %"
            " (1 G each). No drops. Over at 11:48 UTC."
        )

    def test_makes_one_message_of_a_raise_nobody_got_and_its_end(self):
        finding = a_finding(cleared_ms=EPOCH_MS + 17 * MINUTE)

        assert "member m1 was hot 10:00-10:17, over: 17 min" in text_of(finding, "combined")

    def test_dates_a_start_of_another_day(self):
        text = text_of(a_finding(cleared_ms=EPOCH_MS + 15 * 60 * MINUTE), "cleared")

        assert "hot 25 Nov 10:00-01:00 (15 h)" in text
        assert "Since 25 Nov 10:00 UTC." in text

    def test_leaves_no_markup_of_a_stranger_alive(self):
        text = text_of(a_finding(device="<img src=x onerror=1>", team="@everyone", owner="[x](http://x)"), "raised")

        assert not set("<>@[]") & set(text)

    @pytest.mark.parametrize(
        ("kind", "said"),
        [
            ("one-sided", "member m2 (0 %) is up but nothing comes in on it, 10 min, member m1 at 77 %"),
            ("unanswered", "member m2 (0 %) is up but nothing comes back on it, 10 min, member m1 at 77 %"),
            ("sick", "member m2 (0 %) is sick, its frames come damaged, 10 min, member m1 at 77 %"),
        ],
    )
    def test_says_what_is_the_matter_with_a_member_and_that_it_must_get_no_load(self, kind, said):
        m1, m2 = MemberFigure("m1", 0.77, GIGABIT), MemberFigure("m2", 0.0, GIGABIT, "broken")
        finding = a_finding(
            kind=kind, family="build", hot=(m2,), idle=(), members=(m1, m2), raised_ms=EPOCH_MS + 10 * MINUTE
        )

        first, second, *_ = text_of(finding, "raised").splitlines()

        assert first.startswith(f"sm-07, team front, egress: {said} (1 G each).")
        assert second == "Do not move load to m2 (broken)."
        assert "Evenly split" not in text_of(finding, "raised")

    def test_says_once_and_at_once_who_is_cut_off(self):
        m1, m2 = MemberFigure("m1", 0.077, GIGABIT), MemberFigure("m2", 1e-5, GIGABIT, "broken")
        sign = f"3 virtual ports sit on m2: {CUT_OFF}"
        silent = Diagnosis("unanswered", Sure.PROBABLE, "nothing is answered", ("m2",), Evidence((sign,)))
        finding = a_finding(
            kind="unanswered",
            family="build",
            severity=Severity.MAJOR,
            hot=(m2,),
            idle=(),
            members=(m1, m2),
            raised_ms=EPOCH_MS + 10 * MINUTE,
            diagnoses=(silent,),
            evidence=Evidence((sign, "seen in 20 of 20 windows")),
        )

        text = text_of(finding, "raised")

        assert text.splitlines()[0] == (
            "sm-07, team front, egress: member m2 (below 0.01 %) is up but nothing comes back on it, 10 min,"
            " member m1 at 7.7 % (1 G each). 3 virtual ports sit on m2: likely cut off. No drops. Act now."
        )
        assert text.count("cut off") == 1

    @pytest.mark.parametrize(
        ("what", "said"),
        [
            ("raised", "sw-u1, team front, ingress: 8 teams alike: position 1 at 83 % for 90 s, position 2 at 2.4 %"),
            ("cleared", "sw-u1, team front, ingress: over. 8 teams: position 1 hot 10:00-10:30 (30 min)"),
            ("combined", "sw-u1, team front, ingress: 8 teams: position 1 was hot 10:00-10:30, over: 30 min"),
        ],
    )
    def test_says_of_how_many_teams_a_finding_about_many_is(self, what, said):
        one, two = MemberFigure("position 1", 0.83, GIGABIT), MemberFigure("position 2", 0.024, GIGABIT)
        finding = a_finding(
            device="sw-u1",
            direction="ingress",
            kind="fleet-pattern",
            hot=(one,),
            idle=(two,),
            members=(one, two),
            peak_port="position 1",
            teams=tuple(f"uw-{number:02}/front" for number in range(1, 9)),
            cleared_ms=None if what == "raised" else EPOCH_MS + 35 * MINUTE,
            hot_until_ms=None if what == "raised" else EPOCH_MS + 30 * MINUTE,
        )

        assert text_of(finding, what).startswith(said)

    @pytest.mark.parametrize("what", WHATS)
    @given(finding=weird_findings)
    def test_stays_short_whole_and_on_its_lines_whatever_the_finding(self, what, finding):
        text = text_of(finding, what)

        assert len(text) <= MOST_LETTERS
        assert text.endswith("Advice only.")
        assert not set("<>@[]*_`|") & set(text)
        assert text.isprintable() or text.replace("\n", "").isprintable()

    @pytest.mark.parametrize("what", WHATS)
    @pytest.mark.parametrize("kind", KIND_WORDS[1:])
    @pytest.mark.parametrize("length", [1, 6, 255])
    def test_keeps_place_members_percentages_and_duration_in_its_first_120_letters(self, what, kind, length):
        m1 = MemberFigure("p" + "m" * length, 0.92, GIGABIT)
        m2 = MemberFigure("q" + "n" * length, 0.024, GIGABIT)
        finding = a_finding(
            device="d" + "e" * length,
            team="t" + "f" * length,
            direction="ingress",
            kind=kind,
            hot=(m1,),
            idle=(m2,),
            members=(m1, m2),
            peak_port=m1.port,
            cleared_ms=EPOCH_MS + 23 * 60 * MINUTE + 59 * MINUTE,
            updated_ms=EPOCH_MS + 1439 * MINUTE,
        )

        key = text_of(finding, what)[:120]

        lasted = "90 s" if what == "raised" else "23 h 59 min"
        assert [word for word in ("de", "tf", "ingress", "pm", "92 %", "qn", "2.4 %", lasted) if word not in key] == []


class TestExplained:
    """What explains a finding stands before its figures: why, whose and by whom it is decided, what would help."""

    def lines(self, **told):
        return text_of(a_finding(owner="network", decided_by="the far end chooses", **told), "raised").splitlines()

    def test_says_who_decides_beside_whose_it_is(self):
        assert self.lines()[1] == "Whose: network; the far end chooses."

    def test_says_capacity_first_once(self):
        told = {"kind": "full", "family": "capacity", "even_split": 0.78, "owner": "planner"}
        advice = "Capacity first: evenly split all would be at 78 %; no method helps."

        text = text_of(a_finding(**told, advice=advice, decided_by="this end chooses"), "raised")

        assert text.splitlines()[1:3] == ["Whose: planner.", advice]
        assert text.casefold().count("capacity first") == text.casefold().count("evenly split") == 1
        assert "capacity first" in text_of(a_finding(**told), "raised")

    def test_says_whose_it_was_only_where_nobody_heard_of_it_before(self):
        told = {"owner": "network", "cleared_ms": EPOCH_MS + 15 * MINUTE}

        assert "Whose" not in text_of(a_finding(**told), "cleared")
        assert "Whose: network." in text_of(a_finding(**told), "combined")

    def test_says_what_would_help_after_that(self):
        assert self.lines(advice="Mend m2 first.")[2] == "Mend m2 first."

    def test_leaves_out_who_decides_where_a_member_is_built_wrong(self):
        sick = Diagnosis("sick", Sure.PROBABLE, "m2 damages what it carries", ("m2",))

        assert self.lines(diagnosis=sick.text, confidence="probable", diagnoses=(sick,))[1:3] == [
            "Why: m2 damages what it carries (probable).",
            "Whose: network.",
        ]

    def test_is_no_longer_than_any_message(self):
        assert len("\n".join(self.lines(advice="x " * 400, diagnosis="y " * 400))) <= 900


class TestChanged:
    CHANGE = "changed 26 Nov 22:10 UTC by T. Haverly, CHG-1; foretold 93 %; evened out"

    @pytest.mark.parametrize("what", ["raised", "severity", "cleared", "combined"])
    def test_says_who_changed_what_when_in_a_line_of_its_own(self, what):
        cleared_ms = EPOCH_MS + 900_000 if what in ("cleared", "combined") else None

        text = text_of(a_finding(change=self.CHANGE, cleared_ms=cleared_ms), what)

        assert f"C{self.CHANGE[1:]}." in text.splitlines()

    def test_says_nothing_where_nothing_was_changed(self):
        assert "hanged" not in text_of(a_finding(), "raised")
