"""The audit and the second copy: damage is named with its welds, mended where a good copy exists, and never spread."""

from __future__ import annotations

import json
import random
import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from beadroll.archive import audit as auditing
from beadroll.archive.audit import audit
from beadroll.archive.catalog_write import COLUMNS
from beadroll.archive.copying import copy_archive
from beadroll.archive.find import Query, find
from beadroll.archive.receipts import client_receipt
from beadroll.archive.receive import receive
from beadroll.archive.store import Store
from beadroll.errors import ArchiveError
from beadroll.package.seals import trust
from tests.archives import NOW, all_rows, make_yard, simple_weld, week
from tests.unit.test_store import assert_valid


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    return tmp_path_factory.mktemp("keys")


@pytest.fixture(scope="module")
def made(tmp_path_factory, keys):
    """Two handovers, received and answered; each test works on a copy of its own."""
    yard = make_yard(tmp_path_factory.mktemp("made"), keys)
    give = client_receipt(yard.client.signer, by="A. Clerk", now=NOW)
    receive(yard.pack(week()), yard.archive, now=NOW, give=give)
    later = week("HO-2031-W15", (simple_weld("W-0201"), simple_weld("W-0202")), period="2031-W15")
    receive(yard.pack(later), yard.archive, now=NOW, give=give)
    return yard


@pytest.fixture
def yard(tmp_path, made):
    shutil.copytree(made.archive, tmp_path / "archive")
    return replace(made, folder=tmp_path, archive=tmp_path / "archive")


def codes(done):
    return sorted(finding.code for finding in done.report.findings)


def image(archive: Path, name: str) -> Path:
    return next((archive / "store").rglob(f"{name}.dcm"))


def flip(path: Path, at: int = 7) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 4
    path.write_bytes(data)


def test_a_sound_archive_has_nothing_to_report(yard):
    done = audit(yard.archive, now=NOW + timedelta(days=30))
    assert done.report.findings == ()
    assert (done.objects, done.welds) == (2, ())
    assert done.oldest_check == NOW + timedelta(days=30)
    assert json.loads(done.written.read_bytes())["content"] == []


@pytest.mark.parametrize("way", ["flip", "cut", "remove", "link"])
def test_damage_is_named_with_the_welds_affected(yard, way):
    victim = image(yard.archive, "W-0117-R1")
    if way == "flip":
        flip(victim)
    elif way == "cut":
        victim.write_bytes(victim.read_bytes()[:-1])
    else:
        victim.unlink()
        if way == "link":
            victim.symlink_to(image(yard.archive, "W-0101-R1"))
    done = audit(yard.archive, now=NOW)
    (found,) = done.report.findings
    assert found.code == ("AUD-FILE-DAMAGED" if way in ("flip", "cut") else "AUD-FILE-MISSING")
    assert found.values["welds"] == "LN-204 W-0117"
    assert done.welds == ("LN-204 W-0117 (urn:beadroll:VTH-2031-07:HO-2031-W14)",)


def test_damage_to_what_all_welds_share_says_so(yard):
    flip(next((yard.archive / "store").rglob("data/index.json")))
    done = audit(yard.archive, now=NOW)
    assert "every weld of the handover" in done.report.findings[0].text


def test_a_file_nobody_handed_over_is_named(yard):
    image(yard.archive, "W-0117-R1").with_name("other.dcm").write_bytes(b"x")
    assert codes(audit(yard.archive, now=NOW)) == ["AUD-FILE-EXTRA"]


def test_a_copy_is_a_whole_archive_of_its_own_and_grows(yard, tmp_path):
    copy = tmp_path / "copy"
    done = copy_archive(yard.archive, copy)
    assert (done.objects, done.versions, done.report.findings) == (2, 4, ())
    assert_valid(copy)
    assert all_rows(copy, COLUMNS) == all_rows(yard.archive, COLUMNS)
    assert copy_archive(yard.archive, copy).versions == 0
    third = week("HO-2031-W16", (simple_weld("W-0301"),), period="2031-W16")
    receive(yard.pack(third), yard.archive, now=NOW)
    assert copy_archive(yard.archive, copy).versions == 1
    assert len(find(copy, Query(number="301")).welds) == 1
    files = {p.relative_to(yard.archive): p.read_bytes() for p in (yard.archive / "store").rglob("*") if p.is_file()}
    assert {p.relative_to(copy): p.read_bytes() for p in (copy / "store").rglob("*") if p.is_file()} == files


def test_a_damaged_file_is_never_copied(yard, tmp_path):
    flip(image(yard.archive, "W-0117-R1"))
    done = copy_archive(yard.archive, tmp_path / "copy")
    assert codes(done) == ["AUD-COPY-DAMAGED"]
    assert [each for each in Store(tmp_path / "copy").ids() if each.endswith("W14")] == []
    assert_valid(tmp_path / "copy")


def test_a_copy_that_went_its_own_way_is_left_alone(yard, tmp_path, keys):
    copy = tmp_path / "copy"
    copy_archive(yard.archive, copy)
    give = client_receipt(yard.client.signer, by="Other Clerk", now=NOW, reasons=())
    other = make_yard(tmp_path / "elsewhere", keys)
    receive(other.pack(week(welds=(simple_weld("W-0999"),))), other.archive, now=NOW, give=give)
    folder = Store(copy).folder("urn:beadroll:VTH-2031-07:HO-2031-W14")
    shutil.rmtree(folder)
    shutil.copytree(Store(other.archive).folder("urn:beadroll:VTH-2031-07:HO-2031-W14"), folder)
    before = sorted(p.read_bytes() for p in folder.rglob("*") if p.is_file())
    assert codes(copy_archive(yard.archive, copy)) == ["AUD-COPY-FORK"]
    assert sorted(p.read_bytes() for p in folder.rglob("*") if p.is_file()) == before


def test_an_archive_is_not_its_own_copy(yard):
    with pytest.raises(ArchiveError):
        copy_archive(yard.archive, yard.archive)


def whole_store(archive: Path) -> dict[str, bytes]:
    return {str(p.relative_to(archive)): p.read_bytes() for p in (archive / "store").rglob("*") if p.is_file()}


@pytest.mark.parametrize("seed", range(8))
def test_random_damage_is_named_and_mended_from_a_good_copy(yard, tmp_path, seed):
    copy = tmp_path / "copy"
    copy_archive(yard.archive, copy)
    before = whole_store(yard.archive)
    chance = random.Random(seed)  # noqa: S311 - damage need only be repeatable
    objects = [p for p in (yard.archive / "store").rglob("*") if p.is_file() and "urn" in str(p)]
    victims = chance.sample(objects, 6)
    for victim in victims:
        way = chance.choice(["flip", "cut", "remove", "empty", "swap"])
        data = bytearray(victim.read_bytes())
        if way == "flip":
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
            victim.write_bytes(data)
        elif way == "cut":
            victim.write_bytes(data[: chance.randrange(len(data))])
        elif way == "remove":
            victim.unlink()
        elif way == "empty":
            victim.write_bytes(b"")
        else:
            victim.write_bytes(b"of another file" + data[15:])
    assert whole_store(yard.archive) != before
    done = audit(yard.archive, now=NOW, copy=copy)
    assert not [each for each in done.report.findings if each.code in ("AUD-NOT-MENDED", "AUD-SEAL", "AUD-CATALOG")]
    assert done.welds == ()
    assert whole_store(yard.archive) == before
    assert_valid(yard.archive)
    assert audit(yard.archive, now=NOW + timedelta(days=1)).report.findings == ()
    assert whole_store(copy) == before


def test_damage_without_a_copy_is_not_made_worse(yard):
    victim = image(yard.archive, "W-0117-R1")
    flip(victim)
    damaged = whole_store(yard.archive)
    audit(yard.archive, now=NOW)
    assert whole_store(yard.archive) == damaged


def test_a_copy_damaged_in_the_same_place_mends_nothing_and_loses_nothing(yard, tmp_path):
    copy = tmp_path / "copy"
    copy_archive(yard.archive, copy)
    flip(image(yard.archive, "W-0117-R1"), 3)
    flip(image(copy, "W-0117-R1"), 5)
    here, there = whole_store(yard.archive), whole_store(copy)
    done = audit(yard.archive, now=NOW, copy=copy)
    assert codes(done) == ["AUD-FILE-DAMAGED", "AUD-NOT-MENDED"]
    assert (whole_store(yard.archive), whole_store(copy)) == (here, there)


def test_an_object_that_is_gone_is_missed_and_brought_back(yard, tmp_path):
    copy = tmp_path / "copy"
    copy_archive(yard.archive, copy)
    before = whole_store(yard.archive)
    folder = Store(yard.archive).folder("urn:beadroll:VTH-2031-07:HO-2031-W14")
    shutil.rmtree(folder.parents[2])
    assert "AUD-OBJECT" in codes(audit(yard.archive, now=NOW))
    assert "AUD-MENDED" in codes(audit(yard.archive, now=NOW, copy=copy))
    assert whole_store(yard.archive) == before


def test_a_seal_whose_root_is_no_longer_trusted_is_named(yard):
    trust.remove(yard.archive / "trust", "contractor", yard.contractor.fingerprint)
    assert codes(audit(yard.archive, now=NOW)) == ["AUD-SEAL", "AUD-SEAL"]


def test_a_killed_audit_is_taken_up_where_it_stopped(yard, monkeypatch):
    real = auditing._check

    def once(*args):
        monkeypatch.setattr(auditing, "_check", die)
        return real(*args)

    def die(*_args):
        raise KeyboardInterrupt

    monkeypatch.setattr(auditing, "_check", once)
    with pytest.raises(KeyboardInterrupt):
        audit(yard.archive, now=NOW)
    monkeypatch.setattr(auditing, "_check", real)
    with (yard.archive / "audit/ledger.jsonl").open("ab") as torn:
        torn.write(b'{"object": "urn')
    done = audit(yard.archive, now=NOW + timedelta(days=1))
    assert (done.began, done.objects) == (NOW, 1)
    assert audit(yard.archive, now=NOW + timedelta(days=2)).objects == 2


def test_a_share_takes_those_longest_unchecked(yard):
    first = audit(yard.archive, now=NOW, share=0.5)
    second = audit(yard.archive, now=NOW + timedelta(days=1), share=0.5)
    assert (first.objects, first.oldest_check) == (1, None)
    assert (second.objects, second.oldest_check) == (1, NOW)
    assert audit(yard.archive, now=NOW + timedelta(days=2), since=timedelta(days=90)).objects == 0
    assert audit(yard.archive, now=NOW + timedelta(days=91), since=timedelta(days=90)).objects == 2


def test_a_handover_that_is_not_listed_yet_is_said(yard, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr("beadroll.archive.receive.append", lambda *_args: False)
        third = week("HO-2031-W16", (simple_weld("W-0301"),), period="2031-W16")
        receive(yard.pack(third), yard.archive, now=NOW)
    assert codes(audit(yard.archive, now=NOW)) == ["AUD-NOT-LISTED"]
