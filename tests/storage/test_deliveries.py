import threading
from dataclasses import replace

import pytest
from examples import EPOCH_MS, SECOND, a_finding

from service.errors import NotFound, WrongQuestion
from service.storage import deliveries, findings
from service.storage.deliveries import Owed

CLAIM_MS = 60 * SECOND


def a_message(what="raised", **changes):
    told = {"id": f"m-{what}", "finding_id": "f1", "route": "on-call", "what": what, "body": f"body {what}"}
    return Owed(**{**told, "created_ms": EPOCH_MS, **changes})


def claim(connection, after_s=0, **more):
    return deliveries.claim(connection, EPOCH_MS + after_s * SECOND, CLAIM_MS, **more)


def claimed(connection, after_s=0, **more):
    return [one.id for one in claim(connection, after_s, **more)]


def states(connection):
    return {one.id: one.state for one in deliveries.listing(connection).items}


class TestOwe:
    def test_takes_each_message_once(self, connection):
        assert deliveries.owe(connection, [a_message(), a_message()]) == 1
        assert deliveries.owe(connection, [a_message(), a_message("severity")]) == 1
        assert [one.position for one in deliveries.listing(connection).items] == [1, 2]

    def test_numbers_messages_by_finding_and_route(self, connection):
        deliveries.owe(
            connection, [a_message(), a_message(id="m2", route="night"), a_message(id="m3", finding_id="f2")]
        )

        assert {one.position for one in deliveries.listing(connection).items} == {1}


class TestForgetBefore:
    def test_forgets_what_was_settled_long_ago_and_nothing_that_is_open_or_owed(self, connection):
        findings.save(connection, 1, a_finding(id="open"))
        findings.save(connection, 1, replace(a_finding(id="over"), cleared_ms=EPOCH_MS))
        told = {"a": "open", "b": "over", "c": None, "d": "over"}
        for name, finding_id in told.items():
            deliveries.owe(connection, [a_message(id=name, finding_id=finding_id)])
            if name != "d":
                deliveries.taken(connection, name, EPOCH_MS)

        assert deliveries.forget_before(connection, EPOCH_MS, 9) == 0
        assert deliveries.forget_before(connection, EPOCH_MS + 1, 9) == 2
        assert set(states(connection)) == {"a", "d"}


class TestClaim:
    def test_hands_out_a_message_once_and_counts_the_attempt(self, connection):
        deliveries.owe(connection, [a_message()])

        [one] = claim(connection)

        assert (one.id, one.body, one.attempts, one.is_combined) == ("m-raised", "body raised", 1, False)
        assert claimed(connection) == []

    def test_hands_out_what_was_owed_before_the_clock_was_set_back(self, connection):
        deliveries.owe(connection, [a_message()], hold_ms=10 * SECOND)

        assert claimed(connection, after_s=-60) == []
        assert claimed(connection, after_s=-61) == ["m-raised"]

    def test_hands_out_what_was_claimed_before_the_clock_was_set_back(self, connection):
        deliveries.owe(connection, [a_message()])
        claim(connection, after_s=3600)

        assert claimed(connection, after_s=60) == []
        assert claimed(connection, after_s=59) == ["m-raised"]

    def test_hands_it_out_again_when_the_claim_has_run_out(self, connection):
        deliveries.owe(connection, [a_message()])
        claim(connection)

        assert claimed(connection, after_s=59) == []
        assert [one.attempts for one in claim(connection, after_s=60)] == [2]

    def test_keeps_the_order_among_messages_of_a_finding_to_a_route(self, connection):
        deliveries.owe(connection, [a_message(), a_message("severity"), a_message(id="other", route="night")])

        assert claimed(connection) == ["m-raised", "other"]
        deliveries.taken(connection, "m-raised", EPOCH_MS)
        assert claimed(connection) == ["m-severity"]

    def test_keeps_the_next_waiting_while_the_first_is_put_off(self, connection):
        deliveries.owe(connection, [a_message(), a_message("severity")])
        claim(connection)
        deliveries.put_off(connection, "m-raised", EPOCH_MS + 10 * SECOND, "503")

        assert claimed(connection, after_s=9) == []
        assert claimed(connection, after_s=10) == ["m-raised"]

    def test_goes_on_after_one_that_was_given_up(self, connection):
        deliveries.owe(connection, [a_message(), a_message("severity")])
        claim(connection)
        deliveries.given_up(connection, "m-raised", EPOCH_MS, "410")

        assert claimed(connection) == ["m-severity"]

    def test_takes_the_longest_due_first_and_no_more_than_wanted(self, connection):
        deliveries.owe(
            connection, [a_message(id=f"m{k}", finding_id=f"f{k}", created_ms=EPOCH_MS - k) for k in range(5)]
        )

        assert claimed(connection, limit=2) == ["m4", "m3"]

    def test_hands_out_try_out_messages_that_belong_to_no_finding(self, connection):
        deliveries.owe(connection, [a_message("test", id=name, finding_id=None) for name in "ab"])

        assert claimed(connection) == ["a", "b"]

    def test_hands_no_message_to_two_workers(self, engine):
        with engine.begin() as connection:
            deliveries.owe(connection, [a_message(id=f"m{k:02}", finding_id=f"f{k}") for k in range(40)])
        got, start = [], threading.Barrier(4)

        def work():
            start.wait()
            for _ in range(5):
                with engine.begin() as connection:
                    got.extend(claimed(connection, limit=3))

        workers = [threading.Thread(target=work) for _ in range(4)]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()

        assert sorted(got) == [f"m{k:02}" for k in range(40)]


class TestCombining:
    def test_makes_one_of_a_raise_and_a_clear_that_are_both_owed(self, connection):
        deliveries.owe(connection, [a_message(), a_message("severity"), a_message("cleared")])

        [one] = claim(connection)

        assert (one.id, one.earlier) == ("m-cleared", ("body raised", "body severity"))
        assert states(connection) == {"m-raised": "combined", "m-severity": "combined", "m-cleared": "owed"}

    def test_stays_combined_over_retries(self, connection):
        deliveries.owe(connection, [a_message(), a_message("cleared")])
        claim(connection)
        deliveries.put_off(connection, "m-cleared", EPOCH_MS + SECOND, "503")

        assert [one.earlier for one in claim(connection, after_s=1)] == [("body raised",)]

    def test_does_not_touch_a_raise_that_is_on_its_way(self, connection):
        deliveries.owe(connection, [a_message()])
        claim(connection)
        deliveries.owe(connection, [a_message("cleared")])

        assert claimed(connection, after_s=1) == []
        deliveries.taken(connection, "m-raised", EPOCH_MS)
        assert [(one.id, one.earlier) for one in claim(connection, after_s=1)] == [("m-cleared", ())]

    def test_combines_a_raise_that_was_put_off(self, connection):
        deliveries.owe(connection, [a_message()])
        claim(connection)
        deliveries.put_off(connection, "m-raised", EPOCH_MS + 3600 * SECOND, "503")
        deliveries.owe(connection, [a_message("cleared")])

        assert [(one.id, one.earlier) for one in claim(connection, after_s=1)] == [("m-cleared", ("body raised",))]

    def test_leaves_other_changes_of_a_raise_that_was_taken_as_they_are(self, connection):
        deliveries.owe(connection, [a_message()])
        claim(connection)
        deliveries.taken(connection, "m-raised", EPOCH_MS)
        deliveries.owe(connection, [a_message("severity"), a_message("cleared")])

        assert claimed(connection) == ["m-severity"]

    def test_goes_route_by_route(self, connection):
        deliveries.owe(connection, [a_message(), a_message(id="night", route="night")])
        claim(connection)
        deliveries.taken(connection, "night", EPOCH_MS)
        deliveries.put_off(connection, "m-raised", EPOCH_MS + SECOND, "503")
        deliveries.owe(connection, [a_message("cleared"), a_message("cleared", id="night-cleared", route="night")])

        assert {one.id: one.earlier for one in claim(connection)} == {
            "m-cleared": ("body raised",),
            "night-cleared": (),
        }


class TestSettling:
    def test_notes_what_became_of_a_message(self, connection):
        deliveries.owe(connection, [a_message(id=name, finding_id=name) for name in "abc"])
        deliveries.taken(connection, "a", EPOCH_MS + 1, "204")
        deliveries.given_up(connection, "b", EPOCH_MS + 2, "410")
        deliveries.put_off(connection, "c", EPOCH_MS + 3, "no answer")

        found = {one.id: one for one in deliveries.listing(connection).items}

        assert [found[name].state for name in "abc"] == ["taken", "given-up", "owed"]
        assert [found[name].settled_ms for name in "abc"] == [EPOCH_MS + 1, EPOCH_MS + 2, None]
        assert [found[name].last_outcome for name in "abc"] == ["204", "410", "no answer"]
        assert found["c"].next_attempt_ms == EPOCH_MS + 3

    def test_is_final(self, connection):
        deliveries.owe(connection, [a_message()])
        deliveries.taken(connection, "m-raised", EPOCH_MS, "204")
        deliveries.given_up(connection, "m-raised", EPOCH_MS, "late")

        assert states(connection) == {"m-raised": "taken"}


class TestOweAgain:
    def test_owes_what_was_given_up(self, connection):
        deliveries.owe(connection, [a_message()])
        deliveries.given_up(connection, "m-raised", EPOCH_MS, "410")

        deliveries.owe_again(connection, "m-raised", EPOCH_MS)

        assert [one.attempts for one in claim(connection)] == [1]

    def test_refuses_one_that_was_taken(self, connection):
        deliveries.owe(connection, [a_message()])
        deliveries.taken(connection, "m-raised", EPOCH_MS)

        with pytest.raises(NotFound):
            deliveries.owe_again(connection, "m-raised", EPOCH_MS)


class TestListing:
    def test_filters_and_pages(self, connection):
        deliveries.owe(
            connection, [a_message(id=f"m{k}", finding_id=f"f{k}", created_ms=EPOCH_MS + k) for k in range(4)]
        )
        deliveries.taken(connection, "m3", EPOCH_MS)

        first = deliveries.listing(connection, state="owed", limit=2)
        second = deliveries.listing(connection, state="owed", cursor=first.cursor, limit=2)

        assert [one.id for one in first.items + second.items] == ["m2", "m1", "m0"]
        assert [one.id for one in deliveries.listing(connection, finding_id="f3").items] == ["m3"]

    def test_refuses_a_state_it_does_not_know(self, connection):
        with pytest.raises(WrongQuestion):
            deliveries.listing(connection, state="sent")


class TestWaiting:
    def test_counts_what_is_owed_and_names_the_oldest(self, connection):
        assert deliveries.waiting(connection) == (0, None)

        deliveries.owe(connection, [a_message(), a_message("severity", created_ms=EPOCH_MS + 1)])

        assert deliveries.waiting(connection) == (2, EPOCH_MS)
