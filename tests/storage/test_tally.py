from examples import EPOCH_MS, a_finding

from service.storage import deliveries, findings, tally
from service.storage.deliveries import Owed
from service.terms import Severity


class TestOpenFindings:
    def test_are_none_of_any_severity_at_first(self, connection):
        assert tally.open_findings(connection) == {"critical": 0, "major": 0, "minor": 0, "warning": 0}

    def test_that_are_parts_of_others_are_counted_too(self, connection):
        for name, told in {"f1": {"part_of": "f9"}, "f2": {"part_of": "f9", "cleared_ms": 1}, "f3": {}}.items():
            findings.save(connection, 1, a_finding(id=name, **told))

        assert tally.open_parts(connection) == 1

    def test_are_counted_by_severity_without_the_cleared(self, connection):
        for name, severity, cleared_ms in (
            ("f1", Severity.MAJOR, None),
            ("f2", Severity.MAJOR, None),
            ("f3", Severity.MINOR, EPOCH_MS),
        ):
            findings.save(connection, 1, a_finding(id=name, severity=severity, cleared_ms=cleared_ms))

        assert tally.open_findings(connection) == {"critical": 0, "major": 2, "minor": 0, "warning": 0}


class TestDeliveries:
    def test_are_none_in_any_state_at_first(self, connection):
        assert tally.deliveries(connection) == {
            "owed": 0,
            "taken": 0,
            "given-up": 0,
            "combined": 0,
            "held": 0,
            "untold": 0,
        }

    def test_are_counted_by_state(self, connection):
        owed = [Owed(f"m{k}", None, "pager", "try", "{}", EPOCH_MS) for k in range(4)]
        deliveries.owe(connection, owed)
        deliveries.taken(connection, "m0", EPOCH_MS)
        deliveries.given_up(connection, "m1", EPOCH_MS, "answered 410")

        assert tally.deliveries(connection) == {
            "owed": 2,
            "taken": 1,
            "given-up": 1,
            "combined": 0,
            "held": 0,
            "untold": 0,
        }
