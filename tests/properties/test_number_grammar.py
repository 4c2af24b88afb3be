"""Whatever the contract: what is written by its pattern is read back, and reading again changes nothing."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from beadroll.record.job import NumberPattern, SegmentStyle, Suffix, SuffixMeaning
from beadroll.record.number import format_number, parse

LINES = ("LN-204", "LN-207", "H2", "North 3")
SUFFIXES = (
    Suffix(letters="R", meaning=SuffixMeaning.REPAIR),
    Suffix(letters="RS", meaning=SuffixMeaning.RESHOOT),
    Suffix(letters="CO", meaning=SuffixMeaning.CUT_OUT, counted=False),
    Suffix(letters="RW", meaning=SuffixMeaning.REWELD),
    Suffix(letters="TI", meaning=SuffixMeaning.TIE_IN, counted=False),
)


@st.composite
def patterns(draw):
    return NumberPattern(
        prefixes=draw(st.sampled_from([("W",), ("FW", "SW"), ("W", "TW", "GW"), ("JT",)])),
        separator=draw(st.sampled_from(["-", "", " ", "_", "."])),
        digits=draw(st.integers(2, 5)),
        suffixes=draw(st.sampled_from([SUFFIXES, SUFFIXES[:2], ()])),
        segments=draw(st.sampled_from(list(SegmentStyle))),
    )


@st.composite
def marked(draw):
    """A text in the one form of a contract, and what it must be read as."""
    pattern = draw(patterns())
    line = draw(st.sampled_from(("", *LINES)))
    count = draw(st.integers(1, 10**pattern.digits - 1))
    number = f"{draw(st.sampled_from(pattern.prefixes))}{pattern.separator}{count:0{pattern.digits}d}"
    event = ""
    for suffix in pattern.suffixes:
        if draw(st.integers(0, 3)) == 0:
            label = suffix.letters + (str(draw(st.integers(1, 12))) if suffix.counted else "")
            if suffix.meaning in (SuffixMeaning.REWELD, SuffixMeaning.TIE_IN):
                number += label
            else:
                event += label
    marks = [str(i) for i in range(7)] if pattern.segments is SegmentStyle.NUMBERS else list("ABCDEF")
    first, second = draw(st.sampled_from(marks)), draw(st.sampled_from(marks))
    segment = draw(st.sampled_from(["", f"{first}-{second}"]))
    return pattern, (line, number, event, segment)


@settings(max_examples=300, deadline=None)
@given(marked())
def test_writing_then_reading_is_the_identity(case):
    pattern, (line, number, event, segment) = case
    if "CO" in event and ("RW" in number or "TI" in number):
        return  # a cut-out weld's own number carries no later one
    text = " ".join(part for part in (line, number + event, segment) if part)
    read = parse(text, pattern, LINES)
    assert read.key == (line, number, event, segment)
    assert read.certain
    assert format_number(read) == text


@settings(max_examples=400, deadline=None)
@given(
    patterns(),
    st.one_of(
        st.text(max_size=30),
        st.text(alphabet="WFSwRrSCOTI0123456789-_. ()LNln", max_size=24),
        st.from_regex(r"\A[A-Z]{0,2}[-_ ]?[0-9]{1,5}(R|RS|CO|A)?[0-9]?[ _-]?([0-9]-[0-9])?\Z"),
    ),
)
def test_reading_what_was_read_changes_nothing(pattern, text):
    once = parse(text, pattern, LINES)
    if not once.number:
        return
    twice = parse(format_number(once), pattern, LINES)
    assert twice.key == once.key
