"""Receiving packages: what is let in, what is kept of what is not, and what a second delivery does."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import timedelta

import pytest

from beadroll.archive.catalog import Catalog
from beadroll.archive.home import load_trust
from beadroll.archive.receipts import client_receipt
from beadroll.archive.receive import Outcome, receive
from beadroll.archive.store import Store
from beadroll.errors import NotTrusted
from beadroll.package.layout import Form
from beadroll.package.seals.receipt import examine_receipt
from beadroll.record.interpretation import Result
from tests.archives import NOW, make_yard, simple_weld, week
from tests.unit.test_store import assert_valid


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    return tmp_path_factory.mktemp("keys")


@pytest.fixture
def yard(tmp_path, keys):
    return make_yard(tmp_path, keys)


def codes(error):
    return {finding.code for finding in error.value.report.findings}


@pytest.mark.parametrize("form", list(Form))
def test_a_good_package_is_stored_listed_and_answered(yard, form):
    package = yard.pack(week(), form=form)
    give = client_receipt(yard.client.signer, by="A. Clerk", now=NOW)
    stored = receive(package, yard.archive, now=NOW, give=give, cold=True)
    assert stored.outcome is Outcome.NEW
    assert stored.seals[0].organisation == "Pellin and Oake Radiography"
    assert stored.answer.receipt.exists()
    store = Store(yard.archive)
    inventory = store.inventory(stored.object_id)
    assert inventory.head == 2
    (row,) = Catalog(yard.archive).received()
    assert (row["handover"], row["revision"], row["store_version"]) == ("HO-2031-W14", 0, 1)
    assert row["tagmanifest_sha512"] == stored.tagmanifest_sha512
    assert_valid(yard.archive)
    verdict = examine_receipt(
        stored.answer.receipt.read_bytes(),
        stored.answer.seal.read_bytes(),
        load_trust(yard.archive),
        tagmanifest=store.path(inventory, "package/tagmanifest-sha512.txt").read_bytes(),
        seals={"contractor": store.path(inventory, "package/seals/contractor.p7s").read_bytes()},
        handover="HO-2031-W14",
        now=NOW,
    )
    assert verdict.closes, verdict.findings


def test_the_stored_package_is_the_bag_as_it_came(yard):
    package = yard.pack(week())
    stored = receive(package, yard.archive, now=NOW)
    kept = stored.folder / "v1" / "content" / "package"
    came = {p.relative_to(package): p.read_bytes() for p in package.rglob("*") if p.is_file()}
    assert {p.relative_to(kept): p.read_bytes() for p in kept.rglob("*") if p.is_file()} == came


def test_the_same_package_again_changes_nothing(yard):
    package = yard.pack(week())
    give = client_receipt(yard.client.signer, by="A. Clerk", now=NOW)
    first = receive(package, yard.archive, now=NOW, give=give)
    before = Store(yard.archive).inventory(first.object_id)
    again = receive(package, yard.archive, now=NOW + timedelta(days=1), give=give)
    assert again.outcome is Outcome.SAME
    assert not again.answer.new
    assert Store(yard.archive).inventory(first.object_id) == before
    assert len(Catalog(yard.archive).received()) == 1
    assert len(Catalog(yard.archive).rows("SELECT * FROM welds", ["welds"])) == 3


def test_a_revision_is_a_new_version_and_both_are_listed(yard):
    receive(yard.pack(week()), yard.archive, now=NOW)
    welds = (simple_weld("W-0101", remark="corrected"),)
    stored = receive(yard.pack(week(welds=welds, revision=1), "r1"), yard.archive, now=NOW + timedelta(days=1))
    assert stored.outcome is Outcome.REVISION
    inventory = Store(yard.archive).inventory(stored.object_id)
    assert inventory.head == 2
    assert "package/data/welds/LN-204/W-0117/weld.json" in inventory.versions[0].state
    assert "package/data/welds/LN-204/W-0117/weld.json" not in inventory.newest.state
    assert not (stored.folder / "v2/content/package/data/welds/LN-204/W-0101/radiographs").exists()
    assert [row["revision"] for row in Catalog(yard.archive).received()] == [0, 1]
    assert_valid(yard.archive)


def test_an_older_revision_is_refused(yard):
    receive(yard.pack(week(revision=2)), yard.archive, now=NOW)
    with pytest.raises(NotTrusted) as error:
        receive(yard.pack(week(revision=1), "old"), yard.archive, now=NOW)
    assert codes(error) == {"RCV-REVISION-OLD"}


def test_the_same_revision_with_other_content_is_refused(yard):
    receive(yard.pack(week()), yard.archive, now=NOW)
    with pytest.raises(NotTrusted) as error:
        receive(yard.pack(week(welds=(simple_weld("W-0199"),)), "other"), yard.archive, now=NOW)
    assert codes(error) == {"RCV-REVISION-CLASH"}


def test_a_seal_that_comes_later_is_added(yard):
    package = yard.pack(week())
    receive(package, yard.archive, now=NOW)
    from beadroll.package.seals.seal import sign
    from beadroll.package.write import add_seal

    tagmanifest = (package / "tagmanifest-sha512.txt").read_bytes()
    add_seal(
        package,
        "inspector",
        sign(tagmanifest, yard.inspector.signer, role="inspector", commitment="approval", now=NOW),
    )
    stored = receive(package, yard.archive, now=NOW + timedelta(days=3))
    assert stored.outcome is Outcome.SEALS
    rows = Catalog(yard.archive).rows("SELECT role FROM seals ORDER BY role", ["seals"])
    assert [row["role"] for row in rows] == ["contractor", "inspector"]
    assert receive(package, yard.archive, now=NOW).outcome is Outcome.SAME
    assert_valid(yard.archive)


def test_another_seal_over_the_same_package_is_refused(yard):
    package = yard.pack(week())
    receive(package, yard.archive, now=NOW)
    other = yard.pack(week(), "again", signed_at=NOW - timedelta(hours=1))
    with pytest.raises(NotTrusted) as error:
        receive(other, yard.archive, now=NOW)
    assert codes(error) == {"RCV-SEAL-OTHER"}


def test_an_altered_package_leaves_nothing_but_the_reasons(yard):
    package = yard.pack(week())
    victim = next(package.glob("data/welds/LN-204/W-0117/radiographs/*.dcm"))
    data = bytearray(victim.read_bytes())
    data[7] ^= 1
    victim.write_bytes(data)
    with pytest.raises(NotTrusted) as error:
        receive(package, yard.archive, now=NOW)
    assert "PKG-FILE-ALTERED" in codes(error)
    assert list(Store(yard.archive).ids()) == []
    assert list((yard.archive / "staging").iterdir()) == []
    assert Catalog(yard.archive).received() == []
    (reasons,) = (yard.archive / "audit/refused").iterdir()
    assert "PKG-FILE-ALTERED" in {each["code"] for each in json.loads(reasons.read_bytes())["content"]}


def test_a_package_without_the_required_seal_is_refused(yard):
    package = yard.pack(week())
    shutil.rmtree(package / "seals")
    with pytest.raises(NotTrusted) as error:
        receive(package, yard.archive, now=NOW)
    assert "SEAL-MISSING" in codes(error)


def test_a_package_sealed_by_someone_unknown_is_refused(yard, keys):
    from tests.archives import firm, pack

    stranger = firm(keys / "stranger", "Somebody Else")
    package = pack(week(), yard.folder / "strange", stranger).path
    with pytest.raises(NotTrusted):
        receive(package, yard.archive, now=NOW)


def test_tables_that_speak_of_another_handover_are_refused(yard):
    package = yard.pack(week(), segments_of=week("HO-2031-W15"))
    with pytest.raises(NotTrusted) as error:
        receive(package, yard.archive, now=NOW)
    assert "RCV-SEGMENT-OTHER" in codes(error)


def test_further_questions_of_the_records_can_refuse(yard):
    from beadroll.findings import finding

    def judge(reader):
        return (finding("RCV-SEGMENT", reader.name, reason="because"),)

    with pytest.raises(NotTrusted) as error:
        receive(yard.pack(week()), yard.archive, now=NOW, judge_content=judge)
    assert "RCV-SEGMENT" in codes(error)


def test_a_dry_run_writes_nothing(yard):
    def listing():
        return sorted(str(p) for p in yard.archive.rglob("*"))

    before = listing()
    stored = receive(yard.pack(week()), yard.archive, now=NOW, dry_run=True)
    assert stored.dry_run
    assert stored.outcome is Outcome.NEW
    assert listing() == before


def test_a_gap_before_a_handover_is_said_and_stops_nothing(yard):
    from beadroll.record.handover import Previous

    receive(yard.pack(week()), yard.archive, now=NOW)
    previous = Previous(number="HO-2031-W15", tagmanifest_sha512="ab" * 64)
    stored = receive(
        yard.pack(week("HO-2031-W16", (simple_weld("W-0300"),), period="2031-W16", previous=previous)),
        yard.archive,
        now=NOW,
    )
    assert "CHAIN-GAP" in {finding.code for finding in stored.report.findings}


def test_a_killed_reception_is_finished_by_the_next(yard, monkeypatch):
    package = yard.pack(week())

    def die(*_args):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("beadroll.archive.receive.append", die)
        with pytest.raises(KeyboardInterrupt):
            receive(package, yard.archive, now=NOW)
    assert Catalog(yard.archive).received() == []
    stored = receive(package, yard.archive, now=NOW + timedelta(hours=1))
    assert stored.outcome is Outcome.SAME
    (row,) = Catalog(yard.archive).received()
    assert row["received_at"] == NOW


def test_a_return_gives_its_reasons(yard):
    from beadroll.package.seals.receipt import Reason

    give = client_receipt(
        yard.client.signer, by="A. Clerk", now=NOW, reasons=[Reason(weld="LN-204 W-0117", reason="not legible")]
    )
    stored = receive(yard.pack(week()), yard.archive, now=NOW, give=give)
    assert stored.answer.result == "returned"
    assert json.loads(stored.answer.receipt.read_bytes())["content"]["reasons"][0]["weld"] == "LN-204 W-0117"


def test_results_of_readings_are_not_the_archives_business(yard):
    welds = (replace(simple_weld("W-0500", result=Result.REJ)),)
    assert receive(yard.pack(week(welds=welds)), yard.archive, now=NOW).outcome is Outcome.NEW
