"""Receipts: what the client answers, whether it answers this package, and one handover after another."""

from __future__ import annotations

import json

import pytest
import rfc8785

from beadroll.errors import InputError
from beadroll.package.seals import receipt as receipts
from beadroll.package.seals import seal
from beadroll.package.seals.receipt import Predecessor, Reason, check_succession
from tests.pki import NOW, authority, trusting

TAGS = b"aa  bagit.txt\n"
OTHER = b"bb  bagit.txt\n"
REASON = Reason(weld="LN-204/W-0117", reason="segment 3 is out of focus")


class World:
    def __init__(self, folder):
        self.contractor, self.client = authority(), authority("Fjord Gas root")
        self.trust = trusting(folder, ("contractor", self.contractor), ("client", self.client))
        self.office = self.contractor.issue().signer(folder, self.contractor.revocation_list())
        self.owner = self.client.issue("Cy Dahl").signer(folder, self.client.revocation_list())
        self.p7s = seal.sign(TAGS, self.office, role="contractor", commitment="origin", now=NOW)

    def receipt(self, **changes):
        given = {
            "handover": "H-014",
            "result": "accepted",
            "by": "Cy Dahl",
            "now": NOW,
            "seals": {"contractor": self.p7s},
        }
        given |= changes
        return receipts.make_receipt(given.pop("tags", TAGS), given.pop("seals"), **given)

    def judged(self, receipt, signer=None, **changes):
        made = receipts.sign_receipt(receipt, signer or self.owner, timestamper=None, now=NOW)
        given = {"tagmanifest": TAGS, "seals": {"contractor": self.p7s}, "handover": "H-014", "now": NOW} | changes
        verdict = receipts.examine_receipt(receipt, given.pop("p7s", made.p7s), self.trust, **given)
        return verdict, {one.code for one in verdict.findings} - {"SEAL-TIME-CLAIMED"}


@pytest.fixture
def world(tmp_path):
    return World(tmp_path)


def test_an_acceptance_closes_the_handover(world):
    verdict, codes = world.judged(world.receipt())
    assert codes == set()
    assert verdict.good
    assert verdict.closes
    assert verdict.receipt.by == "Cy Dahl"
    assert verdict.receipt.at == NOW
    assert verdict.seal.commitment == "receipt"


def test_a_return_names_its_welds_and_leaves_the_handover_open(world):
    receipt = world.receipt(result="returned", reasons=[REASON, Reason(weld="", reason="no film envelopes")])
    verdict, codes = world.judged(receipt, welds={"LN-204/W-0117"})
    assert codes == {"RECEIPT-RETURNED"}
    assert verdict.good
    assert not verdict.closes
    assert verdict.receipt.reasons[0] == REASON


def test_the_same_receipt_has_the_same_bytes(world):
    first = world.receipt(seals={"a": world.p7s, "b": world.p7s})
    assert first == world.receipt(seals={"b": world.p7s, "a": world.p7s})
    assert rfc8785.dumps(json.loads(first)) == first


@pytest.mark.parametrize(("result", "reasons"), [("returned", []), ("accepted", [REASON])])
def test_a_result_and_its_reasons_go_together(world, result, reasons):
    with pytest.raises(InputError):
        world.receipt(result=result, reasons=reasons)
    document = json.loads(world.receipt())
    document["content"] |= {"result": result, "reasons": [{"weld": one.weld, "reason": one.reason} for one in reasons]}
    verdict, codes = world.judged(rfc8785.dumps(document))
    assert "RECEIPT-FAULTY" in codes
    assert not verdict.closes


@pytest.mark.parametrize("field", ["by", "handover"])
@pytest.mark.parametrize("value", ["", "two\nlines", "x" * 201])
def test_a_receipt_that_does_not_fit_its_schema_is_not_made(world, field, value):
    with pytest.raises(InputError):
        world.receipt(**{field: value})


def test_a_receipt_for_another_package_is_refused(world):
    _, codes = world.judged(world.receipt(tags=OTHER))
    assert codes == {"RECEIPT-OTHER-PACKAGE"}


def test_a_receipt_for_another_handover_is_refused(world):
    verdict, codes = world.judged(world.receipt(handover="H-013"))
    assert codes == {"RECEIPT-OTHER-HANDOVER"}
    assert not verdict.closes


def test_a_receipt_naming_another_seal_is_refused(world):
    other = seal.sign(TAGS, world.office, role="contractor", commitment="origin", now=NOW)
    assert world.judged(world.receipt(seals={"contractor": other}))[1] == {"RECEIPT-OTHER-SEAL"}
    assert world.judged(world.receipt(seals={}))[1] == {"RECEIPT-SEAL-UNNAMED"}
    assert world.judged(world.receipt(), seals={})[1] == {"RECEIPT-SEAL-UNSENT"}
    assert world.judged(world.receipt(), seals={"contractor": b"x"})[1] == {"RECEIPT-OTHER-SEAL"}


def test_a_weld_that_was_not_handed_over_cannot_be_returned(world):
    receipt = world.receipt(result="returned", reasons=[REASON])
    assert "RECEIPT-WELD-UNKNOWN" in world.judged(receipt, welds={"LN-204/W-0118"})[1]


def test_a_receipt_signed_by_the_contractor_is_refused(world):
    verdict, codes = world.judged(world.receipt(), signer=world.office)
    assert "SEAL-WRONG-ROLE" in codes
    assert not verdict.closes


def test_a_result_changed_after_signing_is_refused(world):
    receipt = world.receipt(result="returned", reasons=[REASON])
    made = receipts.sign_receipt(receipt, world.owner, timestamper=None, now=NOW)
    document = json.loads(receipt)
    document["content"] |= {"result": "accepted", "reasons": []}
    verdict, codes = world.judged(rfc8785.dumps(document), p7s=made.p7s)
    assert "SEAL-CONTENT-DIFFERS" in codes
    assert not verdict.closes


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data + b" ",
        lambda data: data.replace(b'"result":"accepted"', b'"result":"accepted","result":"accepted"'),
        lambda data: data.replace(b'"version":"1.0"', b'"version":"2.0"'),
        lambda data: data.replace(b"accepted", b"received"),
        lambda data: data.replace(b"09:30:00Z", b"09:30:00"),
        lambda data: data.replace(b'"by":"Cy Dahl",', b""),
        lambda _: b"",
        lambda _: b"{}",
        lambda _: b"[" * 100_000,
    ],
)
def test_a_receipt_that_cannot_be_read_is_named(world, change):
    verdict, codes = world.judged(change(world.receipt()))
    assert codes == {"RECEIPT-UNREADABLE"}
    assert verdict.receipt is None
    assert not verdict.good
    assert not verdict.closes


# -------------------------------------------------------------------------------------- one handover after another

A, B, C = "aa" * 64, "bb" * 64, "cc" * 64
FIRST = Predecessor(handover="H-001", tagmanifest_sha512=A)
SECOND = Predecessor(handover="H-002", tagmanifest_sha512=B, previous_sha512=A)


@pytest.mark.parametrize(
    ("previous", "received", "code"),
    [
        ("", [], None),
        (A, [FIRST], None),
        (B, [FIRST, SECOND], None),
        (A, [], "CHAIN-GAP"),
        (C, [FIRST, SECOND], "CHAIN-GAP"),
        (A, [FIRST, SECOND], "CHAIN-FORK"),
        ("", [FIRST], "CHAIN-FORK"),
    ],
)
def test_a_gap_or_a_fork_in_the_chain_of_handovers_is_told(previous, received, code):
    assert [one.code for one in check_succession("H-003", previous, received)] == ([code] if code else [])
