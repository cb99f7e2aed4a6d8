import json
import logging

import pytest
import structlog

from service import logs


@pytest.fixture(autouse=True)
def logging_as_before():
    root = logging.getLogger()
    handlers, level = root.handlers, root.level
    yield
    root.handlers, root.level = handlers, level
    structlog.reset_defaults()


def lines(capsys):
    return [json.loads(line) for line in capsys.readouterr().err.splitlines()]


class TestToStderr:
    def test_writes_an_object_a_line_where_nobody_watches(self, capsys):
        logs.to_stderr()

        structlog.get_logger("app").info("listening", port=8430)

        [line] = lines(capsys)
        assert (line["event"], line["port"], line["level"]) == ("listening", 8430, "info")
        assert line["timestamp"].endswith("Z")

    def test_takes_what_libraries_say_in_the_same_form(self, capsys):
        logs.to_stderr()

        logging.getLogger("uvicorn.error").error("no room for %s", "more")

        assert [line["event"] for line in lines(capsys)] == ["no room for more"]

    def test_leaves_out_what_libraries_say_at_every_turn(self, capsys):
        logs.to_stderr()

        logging.getLogger("apscheduler.executors.default").info("Running job")

        assert lines(capsys) == []

    def test_shows_no_value_of_a_variable_in_a_traceback(self, capsys):
        logs.to_stderr()

        try:
            key = "s3cr3t-Zeta"
            raise RuntimeError(len(key))
        except RuntimeError:
            structlog.get_logger("app").exception("failed")

        [line] = lines(capsys)
        assert "RuntimeError: 11" in line["exception"]
        # The source line that names the variable is there; its value stands in the line above, which is not.
        assert "raise RuntimeError(len(key))" in line["exception"]
        assert "s3cr3t-Zeta" not in line["exception"]
