"""Whatever is done to a seal's bytes, it is judged, quickly, and never counts over other content."""

from __future__ import annotations

import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from beadroll.package.seals import seal
from beadroll.package.seals.der import NotDer, add_unsigned_attribute, children, value, whole_length
from tests.pki import NOW, ClockAt, authority, time_signer, trusting

CONTENT = b"aa  data/index.json\n"


@cache
def sealed():
    """A seal with a token, and the trust by which it counts."""
    with tempfile.TemporaryDirectory() as place:
        folder, root, clock = Path(place), authority(), authority("Clock root")
        stamp = ClockAt(party=time_signer(clock), at=NOW)
        signer = root.issue().signer(folder, root.revocation_list())
        p7s = seal.sign(CONTENT, signer, role="contractor", commitment="origin", timestamper=stamp, now=NOW)
        trust = trusting(folder, ("contractor", root), ("timestamp", clock), lists=(clock.revocation_list(),))
        assert seal.examine(p7s, CONTENT, trust, role="contractor", now=NOW).good
        return p7s, trust


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_seal_with_any_byte_changed_is_judged_and_keeps_its_signer(data):
    p7s, trust = sealed()
    position = data.draw(st.integers(0, len(p7s) - 1))
    changed = bytearray(p7s)
    changed[position] ^= data.draw(st.integers(1, 255))
    verdict = seal.examine(bytes(changed), CONTENT, trust, role="contractor", now=NOW)
    assert verdict.certificate()
    assert verdict.as_json()
    if verdict.good:
        # Certificates carried along, lists and unsigned attributes are not signed; what counts is.
        true = seal.examine(p7s, CONTENT, trust, role="contractor", now=NOW)
        assert verdict.signer == true.signer
        assert verdict.root == true.root
        assert verdict.time.claimed == true.time.claimed
        assert seal.signature_value(bytes(changed)) == seal.signature_value(p7s)


@pytest.mark.parametrize("bit", [0x01, 0x20])
def test_every_stretch_of_a_seal_may_be_damaged(bit):
    p7s, trust = sealed()
    true = seal.examine(p7s, CONTENT, trust, role="contractor", now=NOW)
    for position in range(bit % 13, len(p7s), 13):
        changed = bytearray(p7s)
        changed[position] ^= bit
        verdict = seal.examine(bytes(changed), CONTENT, trust, role="contractor", now=NOW)
        assert not verdict.good or verdict.signer == true.signer


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_a_seal_cut_short_or_continued_never_counts(data):
    p7s, trust = sealed()
    length = data.draw(st.integers(0, len(p7s) - 1))
    assert not seal.examine(p7s[:length], CONTENT, trust, role="contractor", now=NOW).good
    more = data.draw(st.binary(min_size=1, max_size=40))
    assert not seal.examine(p7s + more, CONTENT, trust, role="contractor", now=NOW).good


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=200))
def test_a_seal_never_counts_over_other_content(content):
    p7s, trust = sealed()
    assert seal.examine(p7s, content, trust, role="contractor", now=NOW).good == (content == CONTENT)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_at_all_are_judged(data):
    _, trust = sealed()
    assert not seal.examine(data, CONTENT, trust, role="contractor", now=NOW).good
    with suppress(NotDer):
        assert 0 < whole_length(data) <= len(data)


@given(st.lists(st.binary(max_size=400), max_size=5))
def test_values_put_together_come_apart_again(parts):
    inner = [value(0x04, part) for part in parts]
    whole = value(0x30, b"".join(inner))
    assert whole_length(whole) == len(whole)
    assert children(whole) == inner


def test_adding_an_attribute_changes_no_other_byte():
    p7s, _ = sealed()
    (_, content) = children(p7s)
    attribute = value(0x30, value(0x06, b"\x2a\x03") + value(0x31, value(0x05, b"")))
    longer = add_unsigned_attribute(p7s, attribute)
    assert whole_length(longer) == len(longer)
    assert attribute in longer
    before = children(children(children(children(content)[0])[-1])[0])
    after = children(children(children(children(children(longer)[1])[0])[-1])[0])
    assert after[:-1] == before[:-1]
    assert set(children(after[-1])) == {*children(before[-1]), attribute}
