"""CSV against readers of others: Python's own, and that of pandas.

RFC 4180: https://www.rfc-editor.org/rfc/rfc4180 (CRLF after each line, quotes doubled, a header line). Which
characters a formula begins with: OWASP ASVS 5.0 requirement 1.2.10 (= + - @ tab NUL, and a single quote before them);
OWASP, "CSV Injection", from memory: CR, LF and the full-width forms as well, and that a separator or a quote within
the text may begin a new cell.
"""

import csv
import io

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.exports.csv import ROWS_AT_ONCE, guarded, pieces, plain, written

PREFIXES = ["=", "+", "-", "@", "\0", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20"]
# No NUL, which pandas takes for the end, and no half of a character.
TEXTS = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=20)
HARD = st.text("=+-@\t\r\n\uff1d'\" ,;|a1", max_size=12)
SEPARATORS = [",", ";", "\t", "|"]


def read(told, delimiter=","):
    return list(csv.reader(io.StringIO(told.decode(), newline=""), delimiter=delimiter))


def is_formula(cell):
    """What a spreadsheet would reckon with: text that begins like one, with or without space before it."""
    return cell[:1] in PREFIXES or cell.lstrip()[:1] in PREFIXES if cell else False


class TestWritten:
    def test_is_lines_as_rfc_4180_has_them(self):
        told = written(["port", "note"], [["m1", 'said "no", twice'], ["m2", "two\r\nlines"], ["µ", None]])

        assert told == 'port,note\r\nm1,"said ""no"", twice"\r\nm2,"two\r\nlines"\r\nµ,\r\n'.encode()

    def test_leaves_numbers_numbers_and_the_unknown_empty(self):
        told = written(["a", "b", "c", "d", "e"], [[-5, -0.25, float("nan"), None, True], [2**63, 0.1, 0.0, "", False]])

        assert read(told)[1:] == [["-5", "-0.25", "", "", "true"], [str(2**63), "0.1", "0.0", "", "false"]]

    @pytest.mark.parametrize("prefix", PREFIXES)
    def test_begins_no_text_like_a_formula(self, prefix):
        [_, [alone, spaced]] = read(written(["a", "b"], [[f"{prefix}1+1", f"  {prefix}1+1"]]))

        assert (alone, spaced) == (f"'{prefix}1+1", f"'  {prefix}1+1")
        assert (plain(alone), plain(spaced)) == (f"{prefix}1+1", f"  {prefix}1+1")

    @pytest.mark.parametrize("cut", [";", ",", "\t", "|", '"', '";', "\r\n"])
    def test_begins_no_cell_like_a_formula_where_another_separator_cuts_it(self, cut):
        told = written(["a"], [[f"x{cut}=1+1"]])

        assert not [
            cell for separator in SEPARATORS for row in read(told, separator) for cell in row if is_formula(cell)
        ]
        assert plain(read(told)[1][0]) == f"x{cut}=1+1"

    @given(st.lists(st.lists(st.one_of(TEXTS, HARD), min_size=3, max_size=3), max_size=5))
    def test_is_read_back_by_pythons_reader(self, rows):
        told = read(written(["a", "b", "c"], rows))

        assert [[plain(cell) for cell in row] for row in told[1:]] == rows
        assert not [cell for row in told for cell in row if is_formula(cell)]

    @given(st.lists(HARD.map("x{}".format), min_size=1, max_size=5))
    def test_is_read_back_by_pandas(self, texts):
        told = pd.read_csv(io.BytesIO(written(["a", "n"], [[one, -3] for one in texts])), dtype={"a": str})

        assert [plain(cell) for cell in told["a"]] == texts
        assert told["n"].tolist() == [-3] * len(texts)

    @given(HARD)
    def test_begins_no_cell_like_a_formula_whatever_the_separator(self, text):
        cells = [cell for separator in SEPARATORS for part in guarded(text).split(separator) for cell in [part]]

        assert not [cell for cell in cells if is_formula(cell)]

    def test_would_be_noticed_where_nothing_is_guarded(self):
        assert is_formula("=1+1")
        assert is_formula(" @x")
        assert not is_formula("bond-lab")


class TestPieces:
    def test_are_the_same_file_with_few_rows_at_once(self):
        taken = []

        def rows():
            for row in range(3 * ROWS_AT_ONCE):
                taken.append(row)
                yield [row]

        told = pieces(["n"], rows())

        assert next(told) == b"n\r\n"
        first = next(told)
        assert len(taken) == ROWS_AT_ONCE
        assert b"n\r\n" + first + b"".join(told) == written(["n"], [[row] for row in range(3 * ROWS_AT_ONCE)])


class TestPlain:
    @given(st.one_of(TEXTS, HARD))
    def test_undoes_what_was_guarded(self, text):
        assert plain(guarded(text)) == text

    @pytest.mark.parametrize("text", ["bond0", "ae-1", "it's", "'quoted'", "10.0.0.1", "a+b", "", "'"])
    def test_has_nothing_to_undo_in_usual_names(self, text):
        assert guarded(text) == plain(text) == text
