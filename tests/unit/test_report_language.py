"""Four languages say the same things, and foreign text is shown for what it is."""

from __future__ import annotations

import re

import pytest

from beadroll.report.language import LANGUAGES, blanks, legible, words


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_has_the_same_texts_with_the_same_blanks(language):
    english, other = words("en").texts, words(language).texts
    assert list(other) == list(english)
    assert {key: blanks(text) for key, text in other.items()} == {key: blanks(text) for key, text in english.items()}
    assert all(text.strip() == text and text for text in other.values())


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_text_promises_more_than_a_record(language):
    said = " ".join(words(language).texts.values()).casefold()
    for word in ("tamper-proof", "guarantee", "garanti", "fully compliant", "seamless", "ai-powered", "court-proof"):
        assert word not in said


def test_numbers_have_the_decimal_sign_of_their_language():
    assert words("en").number(12.5) == "12.5"
    assert words("de").number(12.5) == "12,5"
    assert words("fr").number(1000.0) == "1000"


def test_what_hides_or_turns_is_spelled_out_and_nothing_is_cut():
    assert legible("W-01\u202e17\x07") == "W-01\\u202e17\\x07"
    assert legible("a\nb\tc\u2028d") == "a b c d"
    assert legible("Zoe\u0308") == "Zo\u00eb"
    assert len(legible("x" * 5000)) == 5000
    assert legible("\ud800") == "\\ud800"


def test_a_blank_that_is_more_than_a_name_is_refused():
    for text in ("{a.b}", "{a[0]}", "{a!r}", "{a:>9}", "{}"):
        with pytest.raises(ValueError, match=re.escape("plain name")):
            blanks(text)
