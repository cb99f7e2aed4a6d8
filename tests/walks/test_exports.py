"""An export of averages brought in and evaluated round by round, beside the same file checked with no database."""

from __future__ import annotations

import pytest
from evaluation.rounds import LATENESS_S, Rounds
from exports import SPACING_S, START_S, a_long_mapping, a_wide_mapping
from walks.outcome import left, same_figures

from service import ingest
from service.commands.imported import FEED
from service.commands.judged import brought, judged
from service.commands.readings import Reading
from service.feeds.anchors import apart
from service.terms import Finding, Rule

END_S = 30 * 60
# kB/s of m1 and m2; 115,000 are 92 % of 1 Gbit/s (arithmetic).
CALM, HOT, EVEN = (37_500, 31_250), (115_000, 2_500), (58_750, 58_750)
HOLE_S = range(13 * 60, 14 * 60)
NOW_MS = (START_S + 6 * 3600) * 1000


def _rows():
    """Rows of (seconds, load of each member): calm, ten hot minutes with a hole, calm, hot to the end."""
    for at_s in range(SPACING_S, END_S + 1, SPACING_S):
        if at_s not in HOLE_S:
            hot = 300 < at_s <= 900 or at_s > 1500
            yield at_s, HOT if hot else EVEN if at_s > 1200 else CALM


def _wide():
    return ["at,m1 sent,m1 got,m2 sent,m2 got", *(f"{START_S + at},{one},9,{two},9" for at, (one, two) in _rows())]


def _long():
    lines = (
        f"{START_S + at},sm-07,front,m{member},9,{load}"
        for at, loads in _rows()
        for member, load in enumerate(loads, start=1)
    )
    return ["at,host,bond,nic,got,sent", *lines]


def _at_s(line):
    """When a line is of, in seconds after the start; the header before all."""
    first = line.split(",")[0]
    return int(first) - START_S if first.isdigit() else 0


FORMS = {"wide": (_wide, a_wide_mapping()), "long": (_long, a_long_mapping())}


@pytest.fixture(params=FORMS)
def export(request, tmp_path):
    """A file in either form, and how it is read."""
    lines, mapping = FORMS[request.param]
    file = tmp_path / "hall-4.csv"
    file.write_text("\n".join(lines()) + "\n")
    return file, Reading(mapping=mapping)


def checked(export):
    """What a check of the file finds."""
    file, reading = export
    (one,) = judged(brought([file], Rule(), reading))
    return one.assessment


def imported(engine, export, rows=10_000):
    """The file kept as an import keeps it, so many rows at a time."""
    file, reading = export
    for piece in reading.pieces(file, rows):
        for half in apart(piece):
            ingest.keep(engine, half, feed=FEED, now_ms=NOW_MS)


def in_time(finding: Finding) -> tuple[int, str]:
    return finding.raised_ms, finding.id


@pytest.fixture
def rounds(engine):
    return Rounds(engine)


@pytest.fixture
def agrees(rounds, export):
    """Whether what is kept is what a check of the file finds: two findings, one of them still open at its end."""

    def so():
        expected, kept = checked(export), left(rounds.engine, END_S)
        assert [one.cleared_ms is None for one in sorted(expected.findings, key=in_time)] == [False, True]
        assert sorted(kept.found, key=in_time) == sorted(expected.findings, key=in_time)
        return same_figures(kept.members, expected.members)

    return so


class TestImportedExport:
    def test_raises_what_a_check_of_the_same_file_finds(self, rounds, export, agrees):
        imported(rounds.engine, export)
        rounds.run(END_S + LATENESS_S)

        assert agrees()

    def test_raises_the_same_in_small_pieces_and_evaluated_step_by_step(self, rounds, export, agrees):
        imported(rounds.engine, export, rows=7)
        for reached_s in range(60, END_S + 1, 60):
            rounds.run(reached_s + LATENESS_S)

        assert agrees()

    def test_raises_the_same_where_a_longer_export_follows_a_shorter_one(self, rounds, export, agrees):
        """The shorter one ends amid the hot minutes; what both tell is known already."""
        file, _ = export
        whole = file.read_text()
        file.write_text("".join(one for one in whole.splitlines(keepends=True) if _at_s(one) <= 600))
        imported(rounds.engine, export)
        rounds.run(600 + LATENESS_S)
        file.write_text(whole)
        imported(rounds.engine, export)
        rounds.run(END_S + LATENESS_S)

        assert agrees()
