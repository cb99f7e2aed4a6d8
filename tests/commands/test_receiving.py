import socket
from contextlib import closing

import pytest
from click.testing import CliRunner
from item_examples import registered

from service import app
from service.app import Parts, receiving
from service.cli import cli
from service.errors import WrongSetting
from service.settings.reading import settled

EXPORTER = {"device": "sm-07", "address": "127.0.0.1"}


def parts_with(engine, **told):
    return Parts(settled(told), engine, clock=lambda: 1_795_600_800_000)


class TestReceive:
    def test_refuses_to_hear_nobody(self, tmp_path):
        file = tmp_path / "settings.toml"
        file.write_text(f'[database]\nurl = "sqlite:///{tmp_path}/lopside.sqlite"\n')

        ended = CliRunner().invoke(cli, ["receive", "--settings", str(file)])

        assert (ended.exit_code, "add an [[exporters]] entry" in ended.stderr) == (2, True)

    def test_refuses_to_open_nothing(self, sqlite_engine):
        parts = parts_with(sqlite_engine, exporters=[EXPORTER], records={"ipfix_port": 0, "sflow_port": 0})

        with pytest.raises(WrongSetting, match="ipfix_port or sflow_port"), receiving.hearing_exporters(parts):
            pytest.fail("something was opened")


class TestItems:
    @pytest.fixture
    def settings(self, tmp_path):
        file = tmp_path / "settings.toml"
        url = f"sqlite:///{tmp_path}/lopside.sqlite"
        file.write_text(f'[database]\nurl = "{url}"\n')
        engine = app.database_of(settled({"database": {"url": url}}))
        with engine.begin() as connection:
            registered(connection)
        engine.dispose()
        return file

    def imported(self, settings, name, text):
        file = settings.with_name(name)
        file.write_text(text)
        return CliRunner().invoke(cli, ["items", "import", "--settings", str(settings), str(file)])

    def test_are_taken_once_and_lines_refused_by_number(self, settings):
        now_s = app.now_ms() // 1000
        stretch = f"egress,{now_s - 60},{now_s},1500"
        text = f"device,port,name,direction,start,end,octets\nsm-07,m1,vm-1,{stretch}\nsm-07,m9,vm-2,{stretch}\n"

        first, again = (self.imported(settings, "items.csv", text) for _ in range(2))

        assert (first.exit_code, "1 accepted, 0 duplicates, 1 rejected" in first.stdout) == (1, True)
        assert "line 3: device 'sm-07' has no port 'm9'" in first.stderr
        assert "0 accepted, 1 duplicates" in again.stdout

    def test_are_read_as_json_by_the_name_of_the_file(self, settings):
        ended = self.imported(settings, "items.json", '{"items": []}')

        assert (ended.exit_code, "0 accepted" in ended.stdout) == (0, True)

    @pytest.mark.parametrize("text", ["", "colour\n"])
    def test_of_a_file_that_cannot_be_used_end_with_2(self, settings, text):
        assert self.imported(settings, "items.csv", text).exit_code == 2

    def test_of_a_file_that_is_not_there_end_with_2(self, settings):
        ended = CliRunner().invoke(cli, ["items", "import", "--settings", str(settings), "no-such-file.csv"])

        assert (ended.exit_code, "cannot be read" in ended.stderr) == (2, True)


class TestAtHand:
    @pytest.mark.parametrize("in_serve", [True, False])
    def test_hears_only_where_the_settings_want_it(self, sqlite_engine, in_serve):
        with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        records = {"ipfix_port": port, "sflow_port": 0, "in_serve": in_serve}
        parts = parts_with(sqlite_engine, exporters=[EXPORTER], records=records)

        with receiving.at_hand(parts):
            is_taken = not _binds(port)

        assert is_taken is in_serve


def _binds(port):
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True
