import os
import subprocess
import sys
import sysconfig
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]


class TestEnvironment:
    def test_may_stand_in_a_folder_with_a_space_in_its_name(self, tmp_path):
        checkout = tmp_path / "a checkout"
        checkout.symlink_to(TOP)
        lock = tmp_path / "empty.lock"
        lock.touch()
        # What the lock would install is taken from where the tests run.
        around = {**os.environ, "PYTHON": sys.executable, "PYTHONPATH": sysconfig.get_path("purelib")}
        folder = tmp_path / "an environment"

        made = [str(checkout / "deploy/environment"), str(lock), str(folder)]
        subprocess.run(made, env=around, check=True, timeout=300)
        told = subprocess.run(
            [str(folder / "bin/lopside"), "--version"], env=around, cwd=tmp_path, check=True, capture_output=True
        )

        assert told.stdout.startswith(b"lopside")
