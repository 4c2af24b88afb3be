"""decisions.toml is plain to read, appended to whole, and never loses what stands in it."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest

from beadroll.errors import InputError
from beadroll.handover.decisions import (
    append_decision,
    digest_in,
    file_of,
    next_id,
    read_decisions,
    standing,
    undone,
)
from beadroll.record.handover import Decision, DecisionKind

AT = datetime(2031, 4, 7, 9, 12, tzinfo=timezone(timedelta(hours=2)))


def decision(n, kind=DecisionKind.SET_ASIDE, subject="crews/A/2031-04-01/a.tif", **values) -> Decision:
    return Decision(id=f"D-{n:04d}", kind=kind, subject=subject, by="E. Lind", at=AT, reason="a test shot", **values)


def test_what_is_appended_is_read_back(tmp_path):
    path = tmp_path / "decisions.toml"
    assert read_decisions(path) == ()
    made = (
        decision(1, subject_sha512="0f" * 64),
        decision(2, DecisionKind.ASSIGN, line="LN-204", number="W-0117", event="R1", segment="1-2"),
        decision(3, DecisionKind.CORRECT, subject='log "x".xlsx, cell A2', field="number", stands="a\nb", reads="ü"),
        decision(4, DecisionKind.UNDO, subject="", undoes="D-0001"),
    )
    for each in made:
        assert next_id(read_decisions(path)) == each.id
        append_decision(path, each)
    assert read_decisions(path) == made
    assert list(tmp_path.iterdir()) == [path]


def test_comments_and_entries_written_by_hand_stay(tmp_path):
    path = tmp_path / "decisions.toml"
    by_hand = (
        '# agreed on the phone\n[[decision]]\nid = \'D-0007\'   # old\nkind = "confirm"\nsubject = "x.csv, cell A2"\n'
        'finding = "CHN-ORDER"\nby = "EL"\nat = 2031-04-07T09:12:00+02:00\nreason = "typed late"\n'
    )
    path.write_text(by_hand, encoding="utf-8")
    append_decision(path, decision(8))
    text = path.read_text(encoding="utf-8")
    assert text.startswith(by_hand)
    assert [d.id for d in read_decisions(path)] == ["D-0007", "D-0008"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("at = 2031-04-07T09:12:00+02:00", "at = 2031-04-07T09:12:00"), "with its zone"),
        (('kind = "set_aside"', 'kind = "drop"'), "kind is 'drop'"),
        (('by = "E. Lind"', "by = 7"), "must be text"),
        (('reason = "a test shot"', 'reason = " "'), "needs reason"),
        (('by = "E. Lind"', ""), "lacks by"),
        (('by = "E. Lind"', 'by = "E. Lind"\nwhy = "x"'), "no field called why"),
        (("[[decision]]", "[[decision"), "not valid TOML"),
        (("[[decision]]", "[decision]"), "under [[decision]]"),
    ],
)
def test_a_bad_entry_is_named_with_its_fault(tmp_path, change, says):
    path = tmp_path / "decisions.toml"
    append_decision(path, decision(1))
    path.write_text(path.read_text(encoding="utf-8").replace(*change), encoding="utf-8")
    with pytest.raises(InputError, match=r"decisions\.toml") as caught:
        read_decisions(path)
    assert says in str(caught.value)


def test_a_decision_that_lacks_something_is_refused_and_the_file_stays(tmp_path):
    path = tmp_path / "decisions.toml"
    append_decision(path, decision(1))
    before = path.read_bytes()
    for bad in (decision(2, DecisionKind.ASSIGN), decision(1), replace(decision(2), reason="")):
        with pytest.raises(InputError):
            append_decision(path, bad)
    assert path.read_bytes() == before


def test_an_undo_can_itself_be_undone():
    made = [
        decision(1),
        decision(2, DecisionKind.UNDO, undoes="D-0001"),
        decision(3, DecisionKind.UNDO, undoes="D-0002"),
    ]
    assert undone(made[:2]) == {"D-0001"}
    assert "D-0001" not in undone(made)


def test_of_two_decisions_about_a_file_the_later_holds():
    files = frozenset({"crews/A/2031-04-01/a.tif"})
    assigned = decision(2, DecisionKind.ASSIGN, line="LN-204", number="W-0117")
    held = standing([decision(1), assigned], files, lambda _: "")
    assert held.assigned
    assert not held.set_aside


def test_a_decision_is_tied_to_the_file_as_it_was(tmp_path):
    (tmp_path / "a.tif").write_bytes(b"one")
    sha512 = hashlib.sha512(b"one").hexdigest()
    made = decision(1, subject="a.tif", subject_sha512=sha512)
    files = frozenset({"a.tif"})
    assert standing([made], files, digest_in(tmp_path)).set_aside
    (tmp_path / "a.tif").write_bytes(b"two")
    changed = standing([made], files, digest_in(tmp_path))
    assert not changed.set_aside
    assert [f.code for _, f in changed.findings] == ["REC-DECISION-CHANGED"]


def test_an_address_finds_its_file_even_with_commas_in_the_name():
    files = frozenset({"a, b.xlsx", "a"})
    assert file_of("a, b.xlsx, sheet S, cell A1", files) == "a, b.xlsx"
    assert file_of("c.xlsx, cell A1", files) == ""
