"""However a text is broken into lines, nothing of it is lost and no line is wider than its column."""

from __future__ import annotations

from datetime import date

from hypothesis import given, settings
from hypothesis import strategies as st

from beadroll.report import template
from beadroll.report.paper import BODY, BOLD, Paper, _limit
from beadroll.report.properties import Label

ALPHABET = "abckWM01-_/.,:; äЖé"
PAPER = Paper(
    template.default(),
    Label(
        kind="k",
        title="t",
        subject="s",
        author="a",
        program="p",
        dated=date(2031, 4, 7),
        caution="c",
        page="{page} of {pages}",
    ),
    ALPHABET,
)


@settings(max_examples=200)
@given(text=st.text(ALPHABET, max_size=300), width=st.floats(3, 180), style=st.sampled_from([BODY, BOLD]))
def test_a_broken_text_keeps_every_sign_and_its_width(text, width, style):
    lines = PAPER.wrap(text, width, style)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    for line in lines:
        assert PAPER.measure(line.rstrip(), style) <= width + 1e-5 or len(line.strip()) <= 1


@settings(max_examples=200)
@given(widths=st.lists(st.floats(1, 300), min_size=1, max_size=16))
def test_narrow_columns_keep_their_width_when_wide_ones_must_give_way(widths):
    room = 180.0
    if sum(widths) < room:
        return
    limit = _limit(widths, room)
    shared = [min(each, limit) for each in widths]
    assert abs(sum(shared) - room) < 1e-6
    assert all(each == given for each, given in zip(shared, widths, strict=True) if given <= limit)
