import json

import pytest
from sqlalchemy import select

from service.storage import database, tables

HEADER = "device,port,team,role,override,far_device,far_port,owner,site"


@pytest.fixture
def floor(tmp_path):
    def written(*lines):
        file = tmp_path / "floor.csv"
        file.write_text("\n".join([HEADER, *lines]) + "\n")
        return file

    return written


@pytest.fixture
def kept(settings_file):
    def rows(table):
        engine = database.open(f"sqlite:///{settings_file.parent}/lopside.sqlite")
        with engine.connect() as connection:
            found = connection.execute(select(table)).all()
        engine.dispose()
        return found

    return rows


UP1 = "sm-07,up1,front,active,no,sw-03,g1/0/7,exchange floor,Brackenhythe"
UP2 = "sm-07,up2,front,standby,yes,,,,"


class TestImport:
    def test_keeps_what_the_file_declares_and_writes_it_down(self, lopside, floor, kept):
        told = lopside("inventory", "import", floor(UP1, UP2))

        assert told.exit_code == 0
        assert "2 ports declared, 2 of them new or changed; 0 no longer in the file, and kept" in told.stdout
        assert [(row.port, row.far_port, row.override) for row in kept(tables.claims)] == [
            ("up1", "g1/0/7", False),
            ("up2", "", True),
        ]
        [line] = kept(tables.audit)
        assert (line.who, line.what, line.target) == ("command line", "inventory imported", "floor.csv")
        assert json.loads(line.details) == {"ports": 2, "changed": 2, "removed": 0, "rejected": 0}

    def test_takes_what_is_good_and_names_the_rest_by_line(self, lopside, floor, kept):
        file = floor(UP1, "sm-07,up2,front,first,,,,,")

        told = lopside("inventory", "import", file)

        assert told.exit_code == 1
        assert f"{file}, line 3: role 'first' is not known" in told.stderr
        assert len(kept(tables.claims)) == 1

    def test_removes_nothing_unasked_but_lists_it(self, lopside, floor, kept):
        lopside("inventory", "import", floor(UP1, UP2))

        told = lopside("inventory", "import", floor(UP1))

        assert "sm-07 up2: no longer in the file, and kept" in told.stdout
        assert "1 ports declared, 0 of them new or changed; 1 no longer in the file, and kept" in told.stdout
        assert len(kept(tables.claims)) == 2

    def test_removes_where_asked(self, lopside, floor, kept):
        lopside("inventory", "import", floor(UP1, UP2))

        told = lopside("inventory", "import", "--remove-missing", floor(UP1))

        assert "sm-07 up2: removed" in told.stdout
        assert [row.port for row in kept(tables.claims)] == ["up1"]
        assert json.loads(kept(tables.audit)[-1].details)["removed"] == 1

    def test_removes_nothing_where_a_line_was_refused(self, lopside, floor, kept):
        lopside("inventory", "import", floor(UP1, UP2))

        told = lopside("inventory", "import", "--remove-missing", floor(UP1, "sm-07,up2,front,first,,,,,"))

        assert told.exit_code == 1
        assert "nothing was removed" in told.stderr
        assert len(kept(tables.claims)) == 2

    def test_keeps_nothing_in_a_dry_run_and_says_the_same(self, lopside, floor, kept):
        lopside("inventory", "import", floor(UP1, UP2))

        told = lopside("inventory", "import", "--dry-run", "--remove-missing", floor(UP1.replace("active", "standby")))

        assert "sm-07 up2: removed" in told.stdout
        assert "1 ports declared, 1 of them new or changed; 1 removed (dry run: nothing was kept)" in told.stdout
        assert len(kept(tables.claims)) == 2
        assert len(kept(tables.audit)) == 1

    def test_refuses_a_file_that_is_none(self, lopside, settings_file, tmp_path):
        told = lopside("inventory", "import", tmp_path / "none.csv")

        assert told.exit_code == 2
        assert "cannot be read" in told.stderr


class TestShow:
    def test_shows_a_line_a_port(self, lopside, floor, settings_file):
        lopside("inventory", "import", floor(UP1, UP2))

        told = lopside("inventory", "show")

        assert told.stdout.splitlines() == [
            "sm-07 up1: team front, active, missing on the network",
            "sm-07 up2: team front, standby, missing on the network",
        ]

    def test_shows_the_same_to_programs(self, lopside, floor, settings_file):
        lopside("inventory", "import", floor(UP1))

        [line] = lopside("inventory", "show", "--json").stdout.splitlines()

        told = json.loads(line)
        assert (told["port"], told["declared"]["far_device"], told["missing"]) == ("up1", "sw-03", True)

    def test_shows_conflicts_alone(self, lopside, floor, settings_file):
        lopside("inventory", "import", floor(UP1))

        assert lopside("inventory", "show", "--conflict").stdout == ""
