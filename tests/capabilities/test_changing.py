"""What was foretold, changed and verified: from a prediction to its score, over the interface."""

from __future__ import annotations

import json

import pytest
from changed_examples import AFTER_MS, CHANGED_MS, DAY_MS, HOUR_MS, MINUTE_MS, POLICY, SIX_MS, keep, keep_nights, known
from evaluation.rounds import Rounds
from examples import EPOCH_MS
from walks.traffic import polls
from web_examples import asked

from service.evaluation import verdicts
from service.storage import deliveries
from service.webhooks.fields import instant

TEAM = {"device": "sm-03", "team": "front", "direction": "egress"}
FORETOLD_MS = CHANGED_MS - 12 * HOUR_MS - 10 * MINUTE_MS  # 10:00 the same day


class Clock:
    """A clock that stands where a test puts it."""

    def __init__(self):
        self.ms = CHANGED_MS + 2 * MINUTE_MS

    def __call__(self):
        return self.ms


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def http(engine, clock):
    known(engine)
    return asked(engine, now_ms=clock, policy=POLICY)


def foretell(http, **more):
    return http.post("/v1/predictions", json=TEAM | {"option": "layer4-tuple", "success": 0.93} | more)


def record(http, **more):
    told = {"at": instant(CHANGED_MS), "what": "hash by addresses and ports", "teams": [TEAM], "who": "T. Haverly"}
    told |= {"reference": "CHG-1", "kind": "method", "settle_seconds": 300, "compare_until": instant(SIX_MS)}
    answer = http.post("/v1/changes", json=told | more)
    assert answer.status_code == 201, answer.text
    return answer.json()


def only(change):
    (one,) = change["teams"]
    return one


class TestAct3RecordAChange:
    def test_made_at_22_10_uses_nothing_between_22_05_and_22_15(self, http, engine, clock):
        keep_nights(engine)
        keep(engine, CHANGED_MS - HOUR_MS, CHANGED_MS, (0.86, 0.02))
        keep(engine, CHANGED_MS, SIX_MS, (0.46, 0.42))
        clock.ms = SIX_MS + MINUTE_MS
        change = record(http)
        verdicts.bring_up_to_date(engine, POLICY, clock.ms)

        one = only(http.get(f"/v1/changes/{change['id']}").json())

        assert change["after_begins_at"] == "2026-11-26T22:15:00Z"
        assert one["verdict"]["after"]["windows"] == 930, "from 22:15:00 to 06:00"
        assert all(span["end"] <= "2026-11-26T22:05:00Z" for span in one["baseline"]["spans"])

    def test_that_is_watched_all_day_ends_the_time_before_at_22_05(self, http):
        change = record(http, compare_until=None)

        assert only(change)["baseline"]["spans"][-1]["end"] == "2026-11-26T22:05:00Z"


class TestAdv8Foretold:
    def test_is_kept_with_its_time_inputs_and_seed_and_shown_beside_the_outcome(self, http, engine, clock):
        clock.ms = FORETOLD_MS
        # 480 and 480 Mbit/s on two links of 1 Gbit/s at 75 %: an even chance, by hand.
        inputs = {"items_bps": [480e6, 480e6], "links_bps": [1e9, 1e9]}
        made = foretell(http, success=None, inputs=inputs, seed=7).json()
        keep_nights(engine)
        clock.ms = CHANGED_MS + 2 * MINUTE_MS
        change = record(http)

        assert (made["success"], made["made_at"], made["seed"]) == (0.5, "2026-11-26T10:00:00Z", 7)
        assert made["inputs"]["items_bps"] == [480e6, 480e6]
        assert only(change)["prediction"] == made | {"change_id": change["id"]}

    def test_is_refused_after_the_change_and_never_edited(self, http, clock):
        clock.ms = FORETOLD_MS
        made = foretell(http).json()
        clock.ms = CHANGED_MS + 2 * MINUTE_MS
        record(http)

        assert foretell(http, success=0.5).status_code == 409
        for method in ("put", "patch", "delete"):
            assert getattr(http, method)(f"/v1/predictions/{made['id']}").status_code == 405
        assert http.get(f"/v1/predictions/{made['id']}").json()["success"] == 0.93


class TestVer1Baseline:
    def test_is_the_three_working_nights_before_counted_and_frozen(self, http, engine, clock):
        keep_nights(engine)
        # A quiet stretch of 100 windows, even split below 10 %: there, but not counted.
        keep(engine, AFTER_MS - DAY_MS, AFTER_MS - DAY_MS + 50 * MINUTE_MS, (0.06, 0.02))
        change = record(http)
        frozen = only(change)["baseline"]

        assert frozen["days"] == ["2026-11-23", "2026-11-24", "2026-11-25"]
        assert (frozen["windows"], frozen["counted"]) == (2790, 2690)  # 3 x 930, and 100 fewer
        assert [(span["start"][11:16], span["end"][11:16]) for span in frozen["spans"]] == [("22:15", "06:00")] * 3

        keep_nights(engine, (0.02, 0.02))
        clock.ms = SIX_MS
        verdicts.bring_up_to_date(engine, POLICY, clock.ms)
        assert only(http.get(f"/v1/changes/{change['id']}").json())["baseline"] == frozen


class TestVer4Kept:
    @pytest.mark.parametrize(
        ("loads", "outcome"),
        [
            (((0.86, 0.02), (0.46, 0.42)), "evened-out"),
            (((0.90, 0.04), (0.04, 0.90)), "moved"),
            (((0.86, 0.02), (0.86, 0.02)), "unchanged"),
            (((0.50, 0.38), (0.80, 0.08)), "worse"),
        ],
    )
    def test_says_in_plain_words_what_came_of_it(self, http, engine, clock, loads, outcome):
        keep_nights(engine, loads[0])
        change = record(http)
        keep(engine, AFTER_MS, SIX_MS, loads[1])
        clock.ms = SIX_MS

        verdicts.bring_up_to_date(engine, POLICY, clock.ms)

        assert only(http.get(f"/v1/changes/{change['id']}").json())["outcome"] == outcome

    def test_names_the_hour_at_which_it_could_be_told(self, http, engine, clock):
        keep_nights(engine)
        change = record(http)
        keep(engine, AFTER_MS, AFTER_MS + 4 * MINUTE_MS, (0.46, 0.42))
        clock.ms = AFTER_MS + 5 * MINUTE_MS

        verdicts.bring_up_to_date(engine, POLICY, clock.ms)

        verdict = only(http.get(f"/v1/changes/{change['id']}").json())["verdict"]
        assert verdict["outcome"] == "cannot-tell-yet"
        assert verdict["could_tell_at"] > "2026-11-26T22:19:00Z"


class TestOnc3ChangeInTheTimeline:
    """The day of walks/traffic.py begins at EPOCH_MS: 92 % beside 2 %, evened out after six minutes."""

    def test_has_raise_acknowledgement_change_and_end_and_the_last_message_says_so(self, engine, clock):
        rounds = Rounds(engine)
        http = asked(engine, now_ms=clock, policy=rounds.policy)
        samples = polls((6, (0.92, 0.02)), (8, (0.47, 0.47)))
        early = [sample for sample in samples if sample["time"] <= EPOCH_MS / 1000 + 360]
        rounds.walk(early, end_s=360)
        (finding,) = http.get("/v1/findings").json()["items"]
        clock.ms = EPOCH_MS + 360_000
        http.post(f"/v1/findings/{finding['id']}/ack", json={"who": "T. Haverly"})
        team = {"device": "sm-07", "team": "front", "direction": "egress"}
        change = record(http, at=instant(clock.ms - 1000), teams=[team], compare_until=None)
        rounds.push(samples[len(early) :], 850)
        rounds.run(850 + 90)
        clock.ms = EPOCH_MS + 940_000
        verdicts.bring_up_to_date(engine, rounds.policy, clock.ms)

        story = http.get(f"/v1/findings/{finding['id']}").json()

        lines = [line["what"] for line in story["history"]]
        assert lines == ["raised", "change", "ack", "cleared"]
        assert story["history"][1]["details"]["change"] == change["id"]
        assert (story["state"], story["peak_port"]) == ("cleared", "m1")
        said = "changed 25 Nov 10:05 UTC by T. Haverly, CHG-1"
        assert story["change"] == said
        with engine.connect() as connection:
            (last,) = [one for one in deliveries.listing(connection).items if one.what == "cleared"]
        assert f"\nC{said[1:]}.\n" in json.loads(last.body)["data"]["text"]
