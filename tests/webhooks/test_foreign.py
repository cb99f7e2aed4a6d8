import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from service.webhooks.foreign import cut, fitted, plain, shortened


class TestPlain:
    def test_leaves_ordinary_names_alone(self):
        assert plain("sm-07.saltmere (rack 4), port 1/0/3:2") == "sm-07.saltmere (rack 4), port 1/0/3:2"

    def test_takes_the_meaning_from_tags_links_mentions_and_markup(self):
        told = plain("<img src=x onerror=1> @here [a](b) *b* _i_ `c` | # ~s~ https://x.example &amp;")

        assert not set("<>@[]*_`|#~&") & set(told)
        assert "://" not in told

    def test_keeps_what_was_typed_readable(self):
        # Full-width letters are compatible with the plain ones (Unicode Standard Annex 15, NFKC).
        assert unicodedata.normalize("NFKC", plain("a_b <c>")) == "a_b <c>"

    def test_is_one_line_without_controls_or_turned_text(self):
        # U+202E turns the text that follows it (Unicode Standard Annex 9).
        assert plain("port\r\n1\x00\x1b[31m \u202egnp.exe\u2066 \ufeff\u2028x") == "port 1 \uff3b31m gnp.exe x"

    def test_never_says_nothing(self):
        assert plain("\x00\u200b ") == "?"

    @given(st.text())
    def test_holds_nothing_unseen_whatever_came(self, text):
        told = plain(text)

        assert told
        assert not any(unicodedata.category(letter) in {"Cc", "Cf", "Cs", "Zl", "Zp"} for letter in told)


class TestShortened:
    def test_takes_from_the_middle_because_names_differ_at_both_ends(self):
        assert shortened("sm-07.saltmere.brackenhythe.example", 11) == "sm-07…ample"

    @given(st.text(), st.integers(0, 40))
    def test_never_needs_more_than_its_room(self, text, most):
        told = shortened(text, most)

        assert len(told) <= most
        assert told == text or len(text) > most


class TestCut:
    def test_takes_from_the_end(self):
        assert cut("a sentence", 6) == "a sen…"

    @given(st.text(), st.integers(0, 40))
    def test_never_needs_more_than_its_room(self, text, most):
        assert len(cut(text, most)) <= most


class TestFitted:
    def test_keeps_short_names_whole_and_lets_long_ones_share(self):
        assert fitted(["m1", "x" * 40, "front", "y" * 40], 29) == ["m1", "xxxxx…xxxxx", "front", "yyyyy…yyyyy"]

    def test_changes_nothing_where_there_is_room(self):
        assert fitted(["sm-07", "front", "m1"], 12) == ["sm-07", "front", "m1"]

    @given(st.lists(st.text(max_size=60), max_size=5), st.integers(0, 100))
    def test_never_needs_more_than_its_room(self, names, room):
        assert sum(map(len, fitted(names, room))) <= room
