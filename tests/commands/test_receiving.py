import socket
from contextlib import closing

import pytest
from click.testing import CliRunner

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
