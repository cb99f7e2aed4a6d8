import io
import sys

import pypdf
from report_examples import TO_MS, a_paper

from service.reports.printed import pdf, shown


def read(octets):
    return pypdf.PdfReader(io.BytesIO(octets))


def words(octets):
    return "\n".join(page.extract_text() for page in read(octets).pages)


def targets(octets):
    links = (note.get_object() for page in read(octets).pages for note in page.get("/Annots", ()))
    return [link["/A"]["/URI"] for link in links if "/A" in link]


class TestPdf:
    def test_is_the_same_octets_for_the_same_paper(self):
        assert pdf(a_paper()) == pdf(a_paper())

    def test_says_every_sentence_and_figure_as_it_stands(self):
        told = words(pdf(a_paper()))

        for text in (*a_paper().sentences, "24 to 30 November 2025", "34.3 Gbit/s·h", "No team.", "unknown"):
            assert text in told

    def test_is_dated_by_the_end_of_the_week(self):
        assert read(pdf(a_paper())).metadata.creation_date.timestamp() * 1000 == TO_MS

    def test_links_figures_to_their_windows_where_the_service_has_an_address(self):
        assert "https://lopside.example/teams/1?direction=egress" in targets(pdf(a_paper(), "https://lopside.example"))

    def test_links_nothing_where_it_has_none(self):
        assert targets(pdf(a_paper())) == []

    def test_is_tagged_and_says_its_language(self):
        """ISO 14289-1 (PDF/UA-1), 7.1 and 7.2: the content is tagged, the document has a title and a language."""
        root = read(pdf(a_paper())).trailer["/Root"]

        assert root["/MarkInfo"]["/Marked"]
        assert root["/Lang"] == "en"
        assert root["/ViewerPreferences"]["/DisplayDocTitle"]

    def test_takes_names_in_any_script(self):
        assert "U+65E5U+672C" in words(pdf(a_paper(sentences=("日本",))))


class TestShown:
    def test_keeps_only_what_the_typesetter_can_show(self):
        kept = "".join(one for one in map(chr, range(sys.maxunicode)) if shown(one) == one)

        assert set("aZ0é·€Ωж≤") <= set(kept)
        assert pdf(a_paper(sentences=(" ".join(kept),)))

    def test_names_what_it_cannot(self):
        assert shown("a\x00😀") == "aU+0000U+1F600"
