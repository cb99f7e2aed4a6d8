import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from service import cli as command_line
from service.cli import cli, main
from service.errors import NotFound
from service.settings.refusals import WrongSettings

TOP = Path(__file__).resolve().parents[1]

# What makes a start slow; none of it is needed to say what the commands are.
HEAVY = {"numpy", "pandas", "numba", "scipy", "pyarrow", "sqlalchemy", "pydantic", "fastapi", "uvicorn", "httpx"}


class TestHelp:
    def test_lists_the_commands(self):
        told = CliRunner().invoke(cli, ["--help"])

        assert told.exit_code == 0
        for command in ("check", "demo", "import", "key", "message", "migrate", "serve", "settings", "web", "work"):
            assert f"\n  {command} " in told.output

    def test_imports_nothing_that_is_heavy(self):
        program = (
            "import sys; from click.testing import CliRunner; from service.cli import cli;"
            "CliRunner().invoke(cli, ['--help']); print(*{name.split('.')[0] for name in sys.modules})"
        )

        told = subprocess.run([sys.executable, "-c", program], cwd=TOP, capture_output=True, text=True, check=True)

        assert set(told.stdout.split()) & HEAVY == set()

    def test_answers_as_a_module_as_well(self):
        told = subprocess.run(
            [sys.executable, "-m", "service", "--version"], cwd=TOP, capture_output=True, text=True, check=True
        )

        assert told.stdout.startswith("lopside, version ")


class TestRefusals:
    @pytest.fixture
    def refusing(self, monkeypatch):
        def with_error(error):
            def refuse(_context):
                raise error

            monkeypatch.setattr(command_line.cli.commands["migrate"], "invoke", refuse)

        return with_error

    def test_are_one_line_on_stderr_and_end_with_2(self, refusing):
        refusing(NotFound("route", "x"))

        told = CliRunner().invoke(cli, ["migrate"])

        assert (told.exit_code, told.stdout) == (2, "")
        assert told.stderr == "lopside: there is no route 'x'\n"

    def test_are_as_many_lines_as_there_are_refusals(self, refusing):
        refusing(WrongSettings((NotFound("a", "1"), NotFound("b", "2"))))

        told = CliRunner().invoke(cli, ["migrate"])

        assert told.stderr.splitlines() == ["lopside: there is no a '1'", "lopside: there is no b '2'"]

    def test_end_with_2_for_a_command_that_is_not_there(self):
        assert CliRunner().invoke(cli, ["reboot"]).exit_code == 2

    def test_tell_a_mistake_of_our_own_apart_from_a_finding(self, refusing, monkeypatch, capsys):
        refusing(ZeroDivisionError("no"))
        monkeypatch.setattr(sys, "argv", ["lopside", "migrate"])

        with pytest.raises(SystemExit) as ended:
            main()

        assert ended.value.code == 70
        assert "ZeroDivisionError" in capsys.readouterr().err
