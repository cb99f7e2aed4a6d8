import pytest
from examples import EPOCH_MS, a_finding

from service.storage import findings, judgements

DAY_MS = 86_400_000


@pytest.fixture
def said(connection):
    """Notes a judgement of a finding, seconds after EPOCH_MS."""

    def note(finding_id, after_s, cause=""):
        what, details = ("wrong", {"cause": cause}) if cause else ("right", {})
        findings.note(connection, finding_id, EPOCH_MS + after_s * 1000, what, "R. Olin", details=details)

    for name in ("f1", "f2", "f3"):
        findings.save(connection, 1, a_finding(id=name))
    return note


def counted(connection):
    return judgements.counts(connection, EPOCH_MS, EPOCH_MS + DAY_MS)


class TestCounts:
    def test_counts_findings_by_cause(self, connection, said):
        said("f1", 1, "standby-not-declared")
        said("f2", 2, "speed-wrong")
        said("f3", 3, "standby-not-declared")

        assert counted(connection) == {"standby-not-declared": 2, "speed-wrong": 1}

    def test_counts_one_that_was_marked_twice_once_with_the_cause_given_last(self, connection, said):
        said("f1", 1, "standby-not-declared")
        said("f1", 2, "speed-wrong")

        assert counted(connection) == {"speed-wrong": 1}

    def test_leaves_out_what_was_taken_back(self, connection, said):
        said("f1", 1, "speed-wrong")
        said("f1", 2)

        assert counted(connection) == {}

    def test_takes_in_the_first_instant_of_the_span_and_not_its_last(self, connection, said):
        said("f1", 0, "speed-wrong")
        said("f2", 86_400, "speed-wrong")
        said("f3", -1, "speed-wrong")

        assert counted(connection) == {"speed-wrong": 1}

    def test_leaves_out_other_lines_of_history(self, connection, said):
        findings.note(connection, "f1", EPOCH_MS, "note", text="wrong")

        assert counted(connection) == {}


class TestCauseOf:
    def test_is_the_last_one_until_it_is_taken_back(self, connection, said):
        said("f1", 1, "members-wrong")
        first = judgements.cause_of(findings.history(connection, "f1"))
        said("f1", 2)

        assert first == "members-wrong"
        assert judgements.cause_of(findings.history(connection, "f1")) == ""


class TestMending:
    def test_says_something_for_each_cause(self):
        assert all(judgements.MENDING[cause].endswith(".") for cause in judgements.CAUSES)
