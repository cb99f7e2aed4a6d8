import pytest

from service.commands import administering
from service.storage import audit, database, keys

NOW_MS = 1_795_600_800_000


@pytest.fixture
def connection_to(settings_file):
    engine = database.open(f"sqlite:///{settings_file.parent}/lopside.sqlite")
    with engine.connect() as connection:
        yield connection
    engine.dispose()


class TestBackup:
    def test_is_put_back_on_another_machine(self, lopside, settings_file, tmp_path):
        lopside("key", "new", "--name", "collector", "--role", "feed")
        told = lopside("backup", tmp_path / "copy")
        assert (told.exit_code, "keep it as closed" in told.stdout) == (0, True)

        other = tmp_path / "other.toml"
        other.write_text(f'[database]\nurl = "sqlite:///{tmp_path}/other.sqlite"\n')
        assert lopside("restore", tmp_path / "copy", "--settings", other).exit_code == 0
        assert lopside("key", "list", "--settings", other).stdout.startswith("collector\tfeed\t")

    def test_ends_with_2_where_it_would_write_over_something(self, lopside, settings_file, tmp_path):
        (tmp_path / "copy").write_text("precious")

        assert lopside("backup", tmp_path / "copy").exit_code == 2
        lopside("key", "new", "--name", "collector", "--role", "feed")
        lopside("backup", tmp_path / "copy2")
        told = lopside("restore", tmp_path / "copy2")
        assert (told.exit_code, "in use" in told.stderr) == (2, True)


class TestSettingsCheck:
    def test_says_that_they_are_good(self, lopside, settings_file):
        told = lopside("settings", "check")

        assert told.exit_code == 0
        assert told.stdout.startswith("good: ")

    def test_says_how_often_luck_alone_would_raise(self, lopside, settings_file):
        # Worked by hand: 4 x 0.1^3 x 0.9 + 0.1^4 = 0.0037.
        told = lopside("settings", "check")

        assert "3 of the last 4 would be so with a chance of 0.0037" in told.stdout

    def test_ends_with_2_and_every_refusal(self, lopside, settings_file):
        settings_file.write_text("[server]\nport = 70000\n[rules]\nhot_above = 7500\n")

        told = lopside("settings", "check", "--settings", settings_file)

        assert told.exit_code == 2
        assert [line.split(": ")[1] for line in told.stderr.splitlines()] == [
            "server.port (line 2)",
            "rules.hot_above (line 4)",
        ]

    def test_notes_a_route_whose_receiver_cannot_know_the_sender(self, lopside, settings_file):
        settings_file.write_text('[[routes]]\nname = "plain"\nurl = "https://hooks.example/x"\n')

        assert "route plain has no secret" in lopside("settings", "check").stderr

    def test_notices_a_secret_that_is_not_there(self, lopside, settings_file):
        settings_file.write_text(
            '[[routes]]\nname = "a"\nurl = "https://hooks.example/x"\nsecret_env = "LOPSIDE_NOWHERE"\n'
        )

        told = lopside("settings", "check")

        assert told.exit_code == 2
        assert "LOPSIDE_NOWHERE" in told.stderr

    def test_refuses_a_file_that_is_not_there(self, lopside, tmp_path):
        told = lopside("settings", "check", "--settings", tmp_path / "none.toml")

        assert (told.exit_code, "there is no file" in told.stderr) == (2, True)


class TestKey:
    def test_is_shown_once_and_kept_as_a_hash(self, lopside, settings_file, connection_to):
        told = lopside("key", "new", "--role", "feed", "--name", "saltmere")

        secret = told.stdout.strip()
        assert keys.find(connection_to, secret, NOW_MS) is not None
        assert secret.encode() not in (settings_file.parent / "lopside.sqlite").read_bytes()

    def test_is_noted_with_who_made_it(self, lopside, settings_file, connection_to):
        lopside("key", "new", "--role", "feed", "--name", "saltmere")
        lopside("key", "revoke", "saltmere")

        noted = [(entry.who, entry.what, entry.target) for entry in audit.listing(connection_to).items]

        assert noted == [("command line", "key revoked", "saltmere"), ("command line", "key made", "saltmere")]

    def test_is_listed_without_itself(self, lopside, settings_file):
        secret = lopside("key", "new", "--role", "admin", "--name", "R. Olin", "--days", "30").stdout.strip()
        lopside("key", "new", "--role", "view", "--name", "wall")
        lopside("key", "revoke", "wall")

        told = lopside("key", "list").stdout

        assert "R. Olin\tadmin\tusable until" in told
        assert "wall\tview\trevoked" in told
        assert secret not in told

    @pytest.mark.parametrize(
        "arguments",
        [("new", "--role", "root", "--name", "a"), ("new", "--role", "feed"), ("revoke", "nobody")],
        ids=["an unknown role", "no name", "an unknown key"],
    )
    def test_is_refused(self, lopside, settings_file, arguments):
        assert lopside("key", *arguments).exit_code == 2

    def test_needs_a_name_that_is_not_taken(self, lopside, settings_file):
        lopside("key", "new", "--role", "feed", "--name", "a")

        told = lopside("key", "new", "--role", "feed", "--name", "a")

        assert (told.exit_code, told.stdout) == (2, "")

    def test_has_the_roles_that_the_database_knows(self):
        assert administering.ROLES == keys.ROLES


class TestMigrate:
    def test_makes_the_tables(self, lopside, tmp_path, monkeypatch):
        monkeypatch.setenv("LOPSIDE_DATABASE__URL", f"sqlite:///{tmp_path}/new.sqlite")

        assert lopside("migrate").exit_code == 0
        assert lopside("migrate").exit_code == 0
        engine = database.open(f"sqlite:///{tmp_path}/new.sqlite")
        assert database.fits(engine)
        engine.dispose()

    def test_takes_them_back_to_an_earlier_step(self, lopside, settings_file):
        lopside("migrate")

        told = lopside("migrate", "--back-to", "0004")

        assert (told.exit_code, "step 0004" in told.stdout) == (0, True)
        assert lopside("migrate").exit_code == 0
        assert lopside("migrate", "--back-to", "4").exit_code == 2

    def test_refuses_a_database_that_cannot_be_reached(self, lopside, tmp_path, monkeypatch):
        monkeypatch.setenv("LOPSIDE_DATABASE__URL", f"sqlite:///{tmp_path}/no/such/folder/new.sqlite")

        told = lopside("migrate")

        assert (told.exit_code, "cannot be used" in told.stderr) == (2, True)

    def test_refuses_a_file_that_is_no_database(self, lopside, tmp_path, monkeypatch):
        file = tmp_path / "notes.txt"
        file.write_text("These are notes, and nothing that a database would write.\n")
        monkeypatch.setenv("LOPSIDE_DATABASE__URL", f"sqlite:///{file}")

        told = lopside("migrate")

        assert (told.exit_code, "cannot be used" in told.stderr) == (2, True)
        assert file.read_text().startswith("These are notes")
