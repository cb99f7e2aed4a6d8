"""Which tests did not run although they should have: any that was skipped for a reason that is not listed here."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from xml.etree import ElementTree

# A pattern of the reason given by the test, and why it is right that such a test does not run where this runs.
MAY_SKIP: dict[str, str] = {}


def left_out(report: str) -> Iterator[str]:
    """A line for each test that was skipped without a listed reason, and one where no test ran at all."""
    cases = list(ElementTree.parse(report).iter("testcase"))  # noqa: S314  # written by our own run, just now
    ran = 0
    for case in cases:
        skipped = case.find("skipped")
        if skipped is None:
            ran += 1
            continue
        reason = skipped.get("message") or skipped.text or "no reason"
        if not any(re.search(pattern, reason) for pattern in MAY_SKIP):
            yield f"{case.get('classname')}::{case.get('name')}: {reason}"
    if not ran:
        yield "no test ran at all"


def main(report: str) -> int:
    """Print what was left out; the exit status is 1 where anything was."""
    try:
        lines = list(left_out(report))
    except (OSError, ElementTree.ParseError) as wrong:
        lines = [f"there is no report of the tests: {wrong}"]
    for line in lines:
        print(f"left out: {line}", file=sys.stderr)  # noqa: T201  # this is what it is for
    return 1 if lines else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
