"""A small report with figures known, unknown and linked, in foreign words."""

from service.reports.paper import Cell, Figure, Paper, Sheet

TO_MS = 1_764_547_200_000  # 2025-12-01T00:00:00Z


def a_paper(**told):
    """Six figures, three sentences, a table of one team and a table of none."""
    figures = tuple(Figure(f"figure {n}", Cell(f"{n} teams", n, "teams")) for n in range(5))
    row = (
        Cell("=sw-01 front", place="/teams/1"),
        Cell("34.3 Gbit/s·h", 34.26, "Gbit/s·h", "/teams/1?direction=egress"),
        Cell("unknown", None, "%"),
    )
    whole = {
        "title": "The week of the teams",
        "span": "24 to 30 November 2025",
        "from_ms": TO_MS - 7 * 86_400_000,
        "to_ms": TO_MS,
        "figures": (*figures, Figure("the last", Cell("unknown", None, "%"))),
        "sentences": ("One.", "Two *as it stands* #text[x] $y$.", "Three."),
        "table": Sheet("stranded", "Where it lay stranded", ("Team", "Stranded", "Hot"), (row,), "Nowhere."),
        "further": (Sheet("losing", "Who cannot lose a member", ("Team", "Load"), (), "No team."),),
        "cautions": ("Mind your change control.",),
    }
    return Paper(**{**whole, **told})
