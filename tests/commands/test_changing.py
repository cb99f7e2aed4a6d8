import json

import pytest
from changed_examples import known

from service.commands import changing
from service.evaluation import recording
from service.storage import audit, database
from service.terms import DIRECTIONS

AT = "2026-01-08T22:10:00Z"


@pytest.fixture
def engine_of(settings_file):
    engine = database.open(f"sqlite:///{settings_file.parent}/lopside.sqlite")
    known(engine, "sm-03", "sm-04")
    yield engine
    engine.dispose()


@pytest.fixture
def recorded(lopside, engine_of):
    """Records a change of team front of sm-03 unless others are named; hands back the result."""

    def run(*more, teams=("--team", "sm-03", "front")):
        return lopside("change", "record", "--at", AT, "--what", "hash by ports", *teams, *more)

    return run


class TestRecord:
    def test_says_what_is_compared_with_what(self, recorded):
        told = recorded("--who", "T. Haverly", "--reference", "CHG-1", "--kind", "method", "--direction", "egress")

        assert told.exit_code == 0, told.stderr
        lines = told.stdout.splitlines()
        assert lines[0].endswith(f": {AT} by T. Haverly, CHG-1: hash by ports")
        assert "  sm-03 front egress: cannot tell yet" in lines
        # Thursday 8 January 2026: the three working days before it.
        assert "compared with 2026-01-05, 2026-01-06, 2026-01-07 (UTC)" in told.stdout
        assert not any("ingress" in line for line in lines)

    def test_takes_many_teams_from_a_file(self, recorded, tmp_path):
        file = tmp_path / "teams.csv"
        file.write_text("device,team,direction\nsm-03,front,egress\nsm-04,front,\n")

        told = json.loads(recorded("--json", teams=("--teams", file)).stdout)

        assert [(one["device"], one["direction"]) for one in told["teams"]] == [
            ("sm-03", "egress"),
            ("sm-04", "egress"),
            ("sm-04", "ingress"),
        ]

    def test_leaves_a_line_in_the_audit(self, recorded, engine_of):
        recorded()

        with engine_of.connect() as connection:
            (line,) = audit.listing(connection).items
        assert (line.who, line.what) == ("command line", "change.record")

    @pytest.mark.parametrize(
        ("more", "why"),
        [
            (("--team", "sm-99", "front"), "sm-99"),
            (("--until", "2026-01-08T22:15:00Z"), "compare_until"),
            (("--until", "noon"), "until"),
        ],
    )
    def test_is_refused_in_a_line(self, recorded, more, why):
        told = recorded(*more)

        assert (told.exit_code, told.stdout) == (2, "")
        assert why in told.stderr
        assert len(told.stderr.splitlines()) == 1

    def test_needs_a_team(self, recorded):
        assert recorded(teams=()).exit_code == 2

    @pytest.mark.parametrize("rows", ["device\nsm-03\n", "device,team,direction\nsm-03,front,both\n"])
    def test_refuses_a_file_that_names_no_teams(self, recorded, tmp_path, rows):
        file = tmp_path / "teams.csv"
        file.write_text(rows)

        told = recorded(teams=("--teams", file))

        assert told.exit_code == 2
        assert "line 2" in told.stderr


class TestList:
    def test_begins_with_the_last(self, lopside, recorded):
        recorded("--reference", "CHG-1")

        told = lopside("change", "list")

        assert told.exit_code == 0, told.stderr
        assert told.stdout.split("\t")[1:5] == [AT, "command line", "CHG-1", "2 cannot-tell-yet"]


class TestShow:
    def test_tells_the_same_as_when_it_was_recorded(self, lopside, recorded):
        told = json.loads(recorded("--json").stdout)

        assert json.loads(lopside("change", "show", told["id"], "--json").stdout) == told
        assert lopside("change", "show", told["id"]).stdout.startswith(told["id"])

    def test_is_refused_for_an_id_that_nothing_has(self, lopside, engine_of):
        assert lopside("change", "show", "c0").exit_code == 2


class TestWords:
    def test_are_those_of_the_service(self):
        assert changing.KINDS == recording.CHANGE_KINDS
        assert changing.DIRECTIONS == DIRECTIONS
