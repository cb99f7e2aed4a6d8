"""The laboratory for people: real conversations collide on a real kernel's hash, and the service says so.

    python tests/lab/run.py [--rootless] [collide|pull|push]

Everything happens in network namespaces that are gone afterwards. Needs root, or user namespaces: --rootless.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[up]) for up in (1, 2)]

from lab import check  # noqa: E402  # the path to it is only known now
from lab.namespaces import LabTrouble  # noqa: E402  # the same

STORIES = ("collide", "pull", "push")
# In a user namespace root is nobody outside; `ip netns` keeps its names under /run, so that is private as well.
ROOTLESS = ("unshare", "--user", "--map-root-user", "--net", "--mount", "sh", "-c")


def main(words: list[str]) -> int:
    """Play a story; the exit status is 77 where the machine cannot, 1 where it went wrong."""
    if "--help" in words or "-h" in words:
        print(__doc__)
        return 0
    if "--rootless" in words:
        rest = [word for word in words if word != "--rootless"]
        inner = 'mount -t tmpfs none /run && exec "$@"'
        os.execvp(ROOTLESS[0], [*ROOTLESS, inner, "sh", sys.executable, os.path.abspath(__file__), *rest])
    wanted = words[0] if words else STORIES[0]
    if wanted not in STORIES:
        print(f"there is no story {wanted!r}, only {', '.join(STORIES)}", file=sys.stderr)
        return 2
    if check.lacking():
        print(check.lacking(), file=sys.stderr)
        return check.CANNOT
    return _play(wanted)


def _play(wanted: str) -> int:
    from lab import story

    begun = time.monotonic()
    play = {"collide": story.collide_and_spread, "pull": story.lose_a_member, "push": story.push_through}[wanted]

    def say(text: str) -> None:
        print(f"{time.monotonic() - begun:6.1f} s  {text}", flush=True)

    with tempfile.TemporaryDirectory(prefix="lopside-lab-") as folder:
        try:
            told = play(Path(folder), say)
        except LabTrouble as wrong:
            print(wrong, file=sys.stderr)
            return 1
    for text in told.texts():
        print(f"\n{text}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
