from contextlib import suppress

import pytest
from changed_examples import (
    AFTER_MS,
    CHANGED_MS,
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    NIGHT_MS,
    POLICY,
    SIX_MS,
    keep,
    keep_nights,
    known,
)
from examples import a_finding

from service.evaluation import Policy, recording, verdicts
from service.evaluation.recording import Asked, Told
from service.storage import changes, findings, inventory
from service.terms import Outcome, Rule


@pytest.fixture
def night(engine):
    """Three nights of 86 % beside 2 %, before a change on Thursday at 22:10."""
    known(engine)
    keep_nights(engine)
    return engine


def record(engine, at_ms=CHANGED_MS, **more):
    told = {"at_ms": at_ms, "what": "hash by addresses and ports", "teams": (Asked("sm-03", "front", "egress"),)}
    said = Told(**{**told, "who": "T. Haverly", "reference": "CHG-1", "until_ms": at_ms + SIX_MS - CHANGED_MS, **more})
    return recording.record(engine, said, "ops", POLICY, at_ms + 2 * MINUTE_MS).change.id


def line_of(engine, change_id):
    with engine.connect() as connection:
        return changes.lines(connection, change_id)[0]


def bring(engine, now_ms):
    return verdicts.bring_up_to_date(engine, POLICY, now_ms)


class TestBringUpToDate:
    def test_tells_that_a_team_evened_out(self, night):
        change = record(night)
        keep(night, AFTER_MS, SIX_MS, (0.46, 0.42))

        assert bring(night, SIX_MS + MINUTE_MS) == 1

        line = line_of(night, change)
        assert (line.outcome, line.verdict.harm) == (Outcome.EVENED_OUT, ())
        assert (line.verdict.before.windows, line.verdict.after.windows) == (2790, 930)
        # (0.86 - 0.44) - (0.46 - 0.44) in points, by hand.
        assert line.verdict.difference == pytest.approx(-0.40, abs=0.005)
        assert not line.final, "three nights are compared, one has passed"

    def test_says_what_is_missing_while_nothing_is_decided(self, night):
        change = record(night)

        bring(night, CHANGED_MS + 10 * MINUTE_MS)

        line = line_of(night, change)
        assert (line.outcome, line.final) == (Outcome.CANNOT_TELL_YET, False)
        assert "no window has been decided" in line.verdict.text

    def test_compares_only_the_hours_that_have_passed(self, night):
        change = record(night)
        keep(night, AFTER_MS, AFTER_MS + HOUR_MS, (0.46, 0.42))

        bring(night, AFTER_MS + HOUR_MS)

        told = line_of(night, change).verdict
        assert (told.before.windows, told.after.windows) == (360, 120)

    def test_looks_again_after_ten_minutes_and_no_sooner(self, night):
        change = record(night)
        bring(night, CHANGED_MS + 10 * MINUTE_MS)
        keep(night, AFTER_MS, SIX_MS, (0.46, 0.42))

        bring(night, CHANGED_MS + 20 * MINUTE_MS - 1)
        assert line_of(night, change).outcome == Outcome.CANNOT_TELL_YET

        bring(night, CHANGED_MS + 20 * MINUTE_MS)
        assert line_of(night, change).outcome == Outcome.EVENED_OUT

    def test_is_final_once_as_much_has_passed_as_it_is_compared_with(self, night):
        change = record(night)
        for day in (0, 1, 4):  # Thursday, Friday, and on Monday the next working night
            keep(night, AFTER_MS + day * DAY_MS, SIX_MS + day * DAY_MS, (0.46, 0.42))
            bring(night, SIX_MS + day * DAY_MS)

        line = line_of(night, change)
        assert (line.final, line.verdict.after.windows) == (True, 2790)
        keep(night, AFTER_MS + 5 * DAY_MS, SIX_MS + 5 * DAY_MS, (0.90, 0.02))
        assert bring(night, SIX_MS + 5 * DAY_MS) == 0
        assert line_of(night, change) == line

    def test_ends_where_the_team_is_changed_again(self, night):
        first = record(night)
        second_ms = AFTER_MS + HOUR_MS
        record(night, second_ms)
        keep(night, AFTER_MS, SIX_MS, (0.46, 0.42))

        bring(night, SIX_MS)

        line = line_of(night, first)
        # Nothing within five minutes of the second change, 55 minutes after the first one's settle time.
        assert (line.final, line.verdict.after.windows) == (True, 110)

    def test_ends_after_a_week_whatever_is_known(self, night):
        change = record(night)
        keep(night, AFTER_MS, SIX_MS, (0.05, 0.01))
        with night.begin() as connection:
            inventory.note_decided(connection, [1], AFTER_MS + 7 * DAY_MS)

        bring(night, AFTER_MS + 7 * DAY_MS)

        line = line_of(night, change)
        assert (line.outcome, line.final) == (Outcome.CANNOT_TELL_YET, True)

    def test_ends_for_a_device_that_says_nothing_any_more(self, night):
        change = record(night)

        bring(night, AFTER_MS + 8 * DAY_MS - 1)
        assert not line_of(night, change).final

        bring(night, AFTER_MS + 8 * DAY_MS + 10 * MINUTE_MS)
        assert line_of(night, change).final

    def test_sees_harm(self, night):
        change = record(night)
        keep(night, AFTER_MS, SIX_MS, (0.46, 0.42), discards=3e-5)

        bring(night, SIX_MS)

        line = line_of(night, change)
        assert (line.outcome, len(line.verdict.harm)) == (Outcome.WORSE, 1)
        assert "backing the change out" in line.verdict.text

    def test_goes_on_with_the_others_where_one_team_fails(self, night):
        known(night, "sm-04")
        broken = record(night, teams=(Asked("sm-04", "front", "egress"),))
        change = record(night, CHANGED_MS + MINUTE_MS)
        for device in ("sm-03", "sm-04"):
            keep(night, AFTER_MS, SIX_MS, (0.46, 0.42), device=device)

        def rules_for(device, _team):
            if device == "sm-04":
                raise KeyError(device)
            return Rule()

        with pytest.raises(KeyError, match="sm-04"):
            verdicts.bring_up_to_date(night, Policy(rules_for), SIX_MS)

        assert line_of(night, change).outcome == Outcome.EVENED_OUT
        assert line_of(night, broken).verdict is None

    def test_looks_at_others_before_those_that_failed(self, night, monkeypatch):
        known(night, "sm-04")
        record(night, teams=(Asked("sm-04", "front", "egress"),))
        change = record(night, CHANGED_MS + MINUTE_MS)
        keep(night, AFTER_MS, SIX_MS, (0.46, 0.42))
        monkeypatch.setattr(verdicts, "AT_ONCE", 1)

        def rules_for(device, _team):
            if device == "sm-04":
                raise KeyError(device)
            return Rule()

        for minute in range(2):
            with suppress(KeyError):
                verdicts.bring_up_to_date(night, Policy(rules_for), SIX_MS + minute * MINUTE_MS)

        assert line_of(night, change).outcome == Outcome.EVENED_OUT

    def test_says_nothing_twice_where_two_processes_await_the_same(self, night):
        change = record(night)
        keep(night, AFTER_MS, SIX_MS, (0.46, 0.42))
        awaited = line_of(night, change)
        bring(night, SIX_MS)

        with night.begin() as connection:
            said = verdicts.reach(connection, line=awaited, policy=POLICY, now_ms=SIX_MS + 1000)

        assert not said
        assert line_of(night, change).verdict_ms == SIX_MS


class TestFindings:
    def test_say_what_was_changed_and_what_came_of_it(self, night):
        with night.begin() as connection:
            found = a_finding(id="f1", device="sm-03", since_ms=CHANGED_MS - HOUR_MS, raised_ms=CHANGED_MS - HOUR_MS)
            findings.save(connection, 1, found)
        record(night)
        keep(night, AFTER_MS, SIX_MS, (0.46, 0.42))

        bring(night, SIX_MS)

        with night.connect() as connection:
            history = findings.history(connection, "f1")
            kept = findings.one(connection, "f1").finding
        assert [line.what for line in history] == ["change", "verified"]
        assert history[1].text.startswith("evened out: ")
        assert history[1].details["outcome"] == "evened-out"
        assert kept.change == "changed 26 Nov 22:10 UTC by T. Haverly, CHG-1; evened out"


class TestFrozen:
    def test_leaves_out_what_lies_before_an_earlier_change(self, night):
        record(night, CHANGED_MS - DAY_MS)

        change = record(night)

        assert line_of(night, change).baseline.days == ("2026-11-25",)

    def test_stays_though_windows_are_rewritten(self, night):
        change = record(night)
        frozen = line_of(night, change).baseline
        keep_nights(night, (0.01, 0.01))

        bring(night, CHANGED_MS + HOUR_MS)

        assert line_of(night, change).baseline == frozen
        assert (frozen.windows, frozen.counted, frozen.length_ms) == (2790, 2790, NIGHT_MS)
