"""The clock of the machine on which the workers run is set forward and back, by more than any lease or window lasts."""

import shutil
import time
from pathlib import Path

import pytest
from faults import kill_loop
from faults.processes import opened

FETCHED = Path(__file__).parents[2] / ".venv-tests" / "packages-faketime"
STEPS_S = (3600, 0, -600, 0)
FOR_S = 20


def library():
    """The library that lets a process see another time, of the machine or as `tests/packages` brought it."""
    where = [FETCHED, Path("/usr/lib")] if shutil.which("faketime") or FETCHED.exists() else []
    found = [path for top in where for path in top.glob("**/faketime/libfaketimeMT.so.1")]
    if not found:
        pytest.skip("no faketime here; tests/packages says why")
    return found[0]


@pytest.mark.timeout(900)
@pytest.mark.usefixtures("_postgresql_template")
def test_loses_and_doubles_nothing(new_postgresql_url, tmp_path):
    told = tmp_path / "offset"
    told.write_text("+0")
    environment = {
        "LD_PRELOAD": str(library()),
        "FAKETIME_TIMESTAMP_FILE": str(told),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }
    url = new_postgresql_url("migrated")

    def ordeal(children):
        time.sleep(FOR_S)
        for step_s in STEPS_S:
            told.write_text(f"{step_s:+d}")
            time.sleep(FOR_S)
        return {}

    with opened(url) as engine:
        counted = kill_loop.play(engine, url, tmp_path, ordeal, environment)

    logs = "".join(path.read_text() for path in tmp_path.glob("work-*.log"))
    assert logs.count("the clock was set") == 2 * len(STEPS_S)  # each worker saw each step
    assert counted["findings"] >= kill_loop.TEAMS
    assert counted["messages"] > counted["findings"]
