"""Every way a seal may fail, each refused with a sentence of its own."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from time import perf_counter

import pytest
from asn1crypto import cms, core
from cryptography import x509
from cryptography.hazmat.primitives import hashes

from beadroll.findings import Severity
from beadroll.package.seals import seal
from beadroll.package.seals.cms import LARGEST_SEAL
from beadroll.package.seals.trust import Trust
from tests.pki import (
    NOW,
    TIME_STAMPING,
    YEAR,
    Authority,
    ClockAt,
    Party,
    authority,
    rsa_key,
    time_signer,
    trusting,
)
from tests.tools import need

CONTENT = b"aa  data/index.json\nbb  data/mets.xml\n"
DAY = timedelta(days=1)


@dataclass
class World:
    """One contractor's root and signer, an archive that pins the root, and a place for files."""

    folder: Path
    root: Authority
    ada: Party

    def trust(self, *extra, lists=None, **limits) -> Trust:
        current = (self.root.revocation_list(),) if lists is None else lists
        return trusting(self.folder, ("contractor", self.root), *extra, lists=current, **limits)

    def sealed(self, party: Party | None = None, *lists, role="contractor", content=CONTENT, **options) -> bytes:
        signer = (party or self.ada).signer(self.folder, *lists)
        return seal.sign(content, signer, role=role, commitment="origin", now=options.pop("now", NOW), **options)

    def openssl(self, *arguments, party: Party | None = None) -> bytes:
        """Sign with openssl, with the given arguments, and return the DER."""
        (self.folder / "content").write_bytes(CONTENT)
        (party or self.ada).save(self.folder, "signer")
        (self.folder / "chain.pem").write_bytes(self.root.pem)
        command = [need("openssl"), "cms", "-sign", "-binary", "-in", "content", "-signer", "signer.pem"]
        command += ["-inkey", "signer.key", "-outform", "DER", "-out", "made.p7s", *arguments]
        subprocess.run(command, cwd=self.folder, check=True, capture_output=True)
        return (self.folder / "made.p7s").read_bytes()


@pytest.fixture
def world(tmp_path) -> World:
    root = authority()
    return World(folder=tmp_path, root=root, ada=root.issue())


def refused(verdict, code: str):
    """The verdict is a refusal, and this sentence is among its stops."""
    stops = {one.code: one for one in verdict.findings if one.severity is Severity.STOP}
    assert code in stops, verdict.certificate()
    assert not verdict.good
    assert stops[code].text
    assert stops[code].remedy
    assert any(step.outcome is seal.Outcome.NO for step in verdict.steps), verdict.certificate()


def examine(p7s, trust, *, content=CONTENT, role="contractor", now=NOW, **options):
    return seal.examine(p7s, content, trust, role=role, now=now, **options)


def altered(p7s: bytes, change) -> bytes:
    outer = cms.ContentInfo.load(p7s)
    change(outer["content"])
    return outer.dump(force=True)


def test_the_untouched_seal_counts(world):
    verdict = examine(world.sealed(), world.trust())
    assert verdict.good, verdict.certificate()
    assert all(step.outcome is seal.Outcome.YES for step in verdict.steps)


# ------------------------------------------------------------------------------------------------------ the file


def test_one_changed_byte_of_the_content_is_refused(world):
    refused(examine(world.sealed(), world.trust(), content=CONTENT.replace(b"aa", b"ab")), "SEAL-CONTENT-DIFFERS")


def test_a_seal_replayed_from_another_package_is_refused(world):
    other = world.sealed(content=b"cc  data/index.json\n")
    refused(examine(other, world.trust()), "SEAL-CONTENT-DIFFERS")


def test_a_changed_signature_value_is_refused(world):
    def change(signed):
        value = bytearray(signed["signer_infos"][0]["signature"].native)
        value[-1] ^= 1
        signed["signer_infos"][0]["signature"] = bytes(value)

    refused(examine(altered(world.sealed(), change), world.trust()), "SEAL-SIGNATURE-BAD")


def test_a_changed_signed_attribute_is_refused(world):
    seal_bytes = world.sealed()
    assert seal_bytes.count(b"310407093000Z") == 1
    earlier = seal_bytes.replace(b"310407093000Z", b"310407083000Z")
    refused(examine(earlier, world.trust()), "SEAL-SIGNATURE-BAD")


def test_bytes_behind_the_end_are_refused(world):
    refused(examine(world.sealed() + b"\0", world.trust()), "SEAL-TRAILING-BYTES")


@pytest.mark.parametrize("length", [0, 1, 40, 900])
def test_a_truncated_seal_is_refused(world, length):
    refused(examine(world.sealed()[:length], world.trust()), "SEAL-UNREADABLE")


def test_text_in_place_of_a_seal_is_refused(world):
    refused(examine(b"-----BEGIN CMS-----\n", world.trust()), "SEAL-UNREADABLE")


def test_a_seal_too_large_to_be_one_is_refused(world):
    refused(examine(world.sealed() + bytes(LARGEST_SEAL), world.trust()), "SEAL-TOO-LARGE")


def test_another_kind_of_cms_object_is_refused(world):
    other = cms.ContentInfo({"content_type": "data", "content": core.OctetString(CONTENT)}).dump()
    refused(examine(other, world.trust()), "SEAL-NOT-A-SIGNATURE")


def test_a_seal_that_carries_its_own_content_is_refused(world):
    refused(examine(world.openssl("-nodetach", "-cades"), world.trust()), "SEAL-CARRIES-CONTENT")


def test_two_signers_in_one_file_are_refused(world):
    certificate, key = world.root.issue("Bo Lind").save(world.folder, "second")
    two = world.openssl("-cades", "-signer", str(certificate), "-inkey", str(key))
    refused(examine(two, world.trust()), "SEAL-SIGNER-COUNT")


def test_a_file_without_any_signer_is_refused(world):
    def change(signed):
        signed["signer_infos"] = []

    refused(examine(altered(world.sealed(), change), world.trust()), "SEAL-SIGNER-COUNT")


def test_a_seal_without_signed_attributes_is_refused(world):
    refused(examine(world.openssl("-noattr"), world.trust()), "SEAL-ATTRIBUTES-MISSING")


def test_an_attribute_given_twice_is_refused(world):
    def change(signed):
        attributes = signed["signer_infos"][0]["signed_attrs"]
        signed["signer_infos"][0]["signed_attrs"] = cms.CMSAttributes([*attributes, attributes[0]])

    refused(examine(altered(world.sealed(), change), world.trust()), "SEAL-ATTRIBUTE-REPEATED")


def test_a_seal_without_its_certificate_is_refused(world):
    refused(examine(world.openssl("-nocerts", "-cades"), world.trust()), "SEAL-CERTIFICATE-MISSING")


def test_another_certificate_with_the_same_key_and_number_is_refused(world):
    p7s = world.sealed()
    same = world.root.issue("Ada Holm, Director", key=world.ada.key, serial=world.ada.certificate.serial_number)

    def change(signed):
        signed["certificates"] = [
            cms.CertificateChoices(name="certificate", value=cms.Certificate.load(same.der)),
        ]

    refused(examine(altered(p7s, change), world.trust()), "SEAL-CERTIFICATE-SWAPPED")


# ------------------------------------------------------------------------------------------------- the algorithms


def test_a_seal_over_sha_1_is_refused(world):
    refused(examine(world.openssl("-md", "sha1"), world.trust()), "SEAL-ALGORITHM")


def test_a_short_rsa_key_is_refused(world):
    short = world.root.issue(key=rsa_key(2048))
    refused(examine(world.sealed(short), world.trust()), "SEAL-KEY-SHORT")


def test_a_digest_past_its_last_day_is_refused(world):
    trust = world.trust()
    toml = world.folder / "trust" / "trust.toml"
    toml.write_text(toml.read_text() + "\n[sunset]\nsha512 = 2031-04-06\n")
    assert examine(world.sealed(), trust).good
    refused(examine(world.sealed(), Trust.load(world.folder / "trust")), "SEAL-ALGORITHM-SUNSET")


def test_a_certificate_issued_over_a_digest_not_allowed_is_refused(world):
    weak = world.root.issue(digest=hashes.SHA224())
    refused(examine(world.sealed(weak), world.trust()), "SEAL-CHAIN-ALGORITHM")


# ----------------------------------------------------------------------------------------------- role and chain


def test_a_role_for_which_nobody_is_pinned_is_refused(world):
    refused(examine(world.sealed(), Trust.nobody()), "SEAL-ROLE-UNPINNED")


def test_a_seal_renamed_to_another_role_is_refused(world):
    trust = world.trust(("inspector", world.root))
    refused(examine(world.sealed(), trust, role="inspector"), "SEAL-ROLE-DIFFERS")


def test_a_good_signature_by_the_wrong_party_is_refused(world):
    trust = world.trust(("inspector", authority("Lloyd of Halden")))
    refused(examine(world.sealed(role="inspector"), trust, role="inspector"), "SEAL-WRONG-ROLE")


def test_an_unknown_root_is_refused(world):
    stranger = authority("Somebody else")
    p7s = world.sealed(stranger.issue(), stranger.revocation_list())
    refused(examine(p7s, world.trust()), "SEAL-ROOT-UNKNOWN")


def test_a_forged_root_of_the_same_name_is_refused(world):
    forger = authority()
    assert forger.certificate.subject == world.root.certificate.subject
    p7s = world.sealed(forger.issue(), forger.revocation_list())
    verdict = examine(p7s, world.trust())
    assert {one.code for one in verdict.findings} & {"SEAL-ROOT-UNKNOWN", "SEAL-CHAIN-BROKEN"}
    assert not verdict.good


def test_a_certificate_claiming_a_root_that_did_not_sign_it_is_refused(world):
    forger = Authority(key=world.ada.key, certificate=world.root.certificate)
    forged = forger.issue()
    forger.key = world.root.key
    # The key identifier is the true root's, the signature is not.
    builder = world.root.issue(key=forged.key, digest=hashes.SHA256())
    broken = bytearray(builder.der)
    broken[-1] ^= 1
    party = Party(key=forged.key, certificate=x509.load_der_x509_certificate(bytes(broken)), above=builder.above)
    refused(examine(world.sealed(party), world.trust()), "SEAL-CHAIN-BROKEN")


def test_a_signer_who_issues_further_signers_is_refused(world):
    helper = Authority(key=world.ada.key, certificate=world.ada.certificate, above=world.ada.above)
    made = helper.issue("Dee Fox")
    p7s = world.sealed(made, helper.revocation_list())
    refused(examine(p7s, world.trust()), "SEAL-CHAIN-BROKEN")


def test_an_intermediate_without_a_revocation_list_is_refused(world):
    between = world.root.issue("Halden site office", ca=True, usages=None)
    p7s = world.sealed(between.issue("Dee Fox"))
    refused(examine(p7s, world.trust()), "SEAL-LIST-MISSING")
    assert examine(
        p7s,
        trusting(
            world.folder / "b",
            ("contractor", world.root),
            lists=(
                world.root.revocation_list(),
                between.revocation_list(),
            ),
        ),
    ).good


# ------------------------------------------------------------------------------------------------------ limits


def test_a_signer_not_named_in_the_pin_is_refused(world):
    refused(examine(world.sealed(), world.trust(subjects=("Bo Lind",))), "SEAL-SUBJECT")


@pytest.mark.parametrize("usages", [None, ("1.3.6.1.5.5.7.3.2",)])
def test_a_certificate_not_made_for_signing_documents_is_refused(world, usages):
    refused(examine(world.sealed(world.root.issue(usages=usages)), world.trust()), "SEAL-USAGE")


def test_a_key_that_may_only_encrypt_is_refused(world):
    refused(examine(world.sealed(world.root.issue(signing=False)), world.trust()), "SEAL-KEY-USAGE")


def test_a_seal_by_an_authority_itself_is_refused(world):
    between = world.root.issue("Halden site office", ca=True)
    refused(examine(world.sealed(between), world.trust()), "SEAL-SIGNED-BY-AUTHORITY")


def test_a_seal_outside_the_pins_window_is_refused(world):
    trust = world.trust(valid_from=date(2031, 4, 8))
    refused(examine(world.sealed(), trust), "SEAL-WINDOW")
    other = trusting(world.folder / "b", ("contractor", world.root), valid_until=date(2031, 4, 6))
    refused(examine(world.sealed(), other), "SEAL-WINDOW")


def test_an_expired_signer_without_trusted_time_is_refused(world):
    fresh = world.root.revocation_list(made=NOW + 2 * YEAR)
    later = world.ada.certificate.not_valid_after_utc + DAY
    refused(examine(world.sealed(), world.trust(lists=(fresh,)), now=later), "SEAL-EXPIRED")


def test_a_signer_not_yet_valid_is_refused(world):
    tomorrow = world.root.issue(since=NOW + DAY)
    p7s = world.sealed(tomorrow, now=NOW + DAY)
    refused(examine(p7s, world.trust(), now=NOW), "SEAL-NOT-YET")


def test_a_claimed_time_before_the_certificate_is_refused(world):
    signer = world.ada.signer(world.folder)
    from beadroll.package.seals.sign import _sign

    early = world.ada.certificate.not_valid_before_utc - DAY
    with pytest.raises(Exception, match="counts from"):
        _sign(CONTENT, signer, role="contractor", commitment="origin", now=early)
    import beadroll.package.seals.sign as module

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "_check_dates", lambda *_: None)
        p7s = _sign(CONTENT, signer, role="contractor", commitment="origin", now=early)
    refused(examine(p7s, world.trust()), "SEAL-TIME-BEFORE-SIGNER")


def test_an_expired_root_is_refused(world):
    old = authority("Old root", until=NOW - DAY)
    p7s = world.sealed(old.issue())
    trust = trusting(world.folder / "b", ("contractor", old), lists=(old.revocation_list(),))
    refused(examine(p7s, trust), "SEAL-ROOT-DATES")


# -------------------------------------------------------------------------------------------------- revocation


def test_a_revoked_signer_is_refused(world):
    revoked = world.root.revocation_list((world.ada, NOW - DAY, x509.ReasonFlags.superseded))
    refused(examine(world.sealed(), world.trust(lists=(revoked,))), "SEAL-REVOKED")


def test_a_revocation_in_the_seals_own_list_is_read(world):
    revoked = world.root.revocation_list((world.ada, NOW - DAY, None))
    refused(examine(world.sealed(None, revoked), world.trust()), "SEAL-REVOKED")


def test_a_revocation_in_a_stale_list_counts(world):
    long_ago = world.root.revocation_list(
        (world.ada, NOW - 300 * DAY, None), made=NOW - 300 * DAY, until=NOW - 299 * DAY
    )
    refused(examine(world.sealed(), world.trust(lists=(long_ago, world.root.revocation_list()))), "SEAL-REVOKED")


def test_a_signer_revoked_after_a_merely_claimed_time_is_refused(world):
    revoked = world.root.revocation_list((world.ada, NOW + 5 * DAY, None), made=NOW + 5 * DAY)
    p7s = world.sealed(None, world.root.revocation_list())
    refused(examine(p7s, world.trust(lists=(revoked,)), now=NOW + 6 * DAY), "SEAL-REVOKED")


def test_no_revocation_list_at_all_is_refused(world):
    refused(examine(world.sealed(), world.trust(lists=())), "SEAL-LIST-MISSING")


def test_a_stale_revocation_list_is_refused(world):
    stale = world.root.revocation_list(made=NOW - 100 * DAY, until=NOW - 10 * DAY)
    refused(examine(world.sealed(), world.trust(lists=(stale,))), "SEAL-LIST-STALE")


def test_a_forged_revocation_list_does_not_count(world):
    forged = Authority(key=authority().key, certificate=world.root.certificate).revocation_list()
    refused(examine(world.sealed(None, forged), world.trust(lists=())), "SEAL-LIST-MISSING")


def test_a_list_made_after_the_certificate_ended_proves_nothing(world):
    # An issuer may drop the entry once the certificate has expired (RFC 5280, 3.3).
    late = world.root.revocation_list(made=NOW + 3 * YEAR, until=NOW + 4 * YEAR)
    verdict = examine(world.sealed(), world.trust(lists=(late,)), now=NOW + 3 * YEAR + DAY, held_since=NOW)
    refused(verdict, "SEAL-LIST-MISSING")


# ------------------------------------------------------------------------------------------------ trusted time


@pytest.fixture
def clock():
    """A time-stamping authority, its root, and a revocation list of it."""
    root = authority("Clock root")
    return root, time_signer(root)


def with_clock(world, clock, *, at=NOW, party=None, trust_lists=None):
    root, party = clock[0], party or clock[1]
    p7s = world.sealed(timestamper=ClockAt(party=party, at=at))
    extra = (root.revocation_list(),) if trust_lists is None else trust_lists
    return p7s, world.trust(("timestamp", root), lists=(world.root.revocation_list(), *extra))


def test_a_token_by_a_pinned_clock_gives_trusted_time(world, clock):
    verdict = examine(*with_clock(world, clock))
    assert verdict.good, verdict.certificate()
    assert verdict.time.kind is seal.TimeKind.TRUSTED
    assert verdict.time.at == NOW


def test_a_token_from_another_seal_is_refused(world, clock):
    p7s, trust = with_clock(world, clock)
    other = ClockAt(party=clock[1], at=NOW).token(b"another signature")

    def change(signed):
        attribute = cms.CMSAttribute(
            {
                "type": "signature_time_stamp_token",
                "values": [cms.ContentInfo.load(other)],
            }
        )
        signed["signer_infos"][0]["unsigned_attrs"] = cms.CMSAttributes([attribute])

    refused(examine(altered(p7s, change), trust), "SEAL-TOKEN-SWAPPED")


def test_a_damaged_token_is_refused(world, clock):
    p7s, trust = with_clock(world, clock)

    def change(signed):
        token = signed["signer_infos"][0]["unsigned_attrs"][0]["values"][0]
        value = bytearray(token["content"]["signer_infos"][0]["signature"].native)
        value[-1] ^= 1
        token["content"]["signer_infos"][0]["signature"] = bytes(value)

    verdict = examine(altered(p7s, change), trust)
    refused(verdict, "SEAL-TOKEN-BAD")
    refused(verdict, "SEAL-SIGNATURE-BAD")


def test_two_tokens_are_refused(world, clock):
    p7s, trust = with_clock(world, clock)

    def change(signed):
        attribute = signed["signer_infos"][0]["unsigned_attrs"][0]
        attribute["values"] = [attribute["values"][0], attribute["values"][0].copy()]
        signed["signer_infos"][0]["unsigned_attrs"] = cms.CMSAttributes([attribute, attribute.copy()])

    refused(examine(altered(p7s, change), trust), "SEAL-TOKEN-COUNT")


@dataclass(frozen=True)
class Answering:
    """Somebody who answers every question for the time with the same bytes."""

    answer: bytes

    def token(self, _: bytes) -> bytes:
        return self.answer


def test_another_signature_in_the_place_of_a_token_is_refused(world, clock):
    _, trust = with_clock(world, clock)
    p7s = world.sealed(timestamper=Answering(world.sealed()))
    refused(examine(p7s, trust), "SEAL-NOT-A-TOKEN")


def test_signatures_nested_in_the_place_of_tokens_are_refused_at_once(world, clock):
    _, trust = with_clock(world, clock)
    p7s = world.sealed()
    for _ in range(3):
        p7s = seal.complete_pending(world.sealed(), Answering(p7s))
    began = perf_counter()
    refused(examine(p7s, trust), "SEAL-NOT-A-TOKEN")
    assert perf_counter() - began < 5


def test_a_token_from_the_future_is_refused(world, clock):
    refused(examine(*with_clock(world, clock, at=NOW + DAY)), "SEAL-TIME-FUTURE")


def test_a_clock_whose_certificate_is_for_other_things_too_is_refused(world, clock):
    mixed = time_signer(clock[0], usages=(TIME_STAMPING, "1.3.6.1.5.5.7.3.3"))
    refused(examine(*with_clock(world, clock, party=mixed)), "SEAL-TOKEN-USAGE")


def test_a_clock_expired_when_it_gave_the_token_is_refused(world, clock):
    old = time_signer(clock[0], until=NOW - DAY)
    refused(examine(*with_clock(world, clock, party=old)), "SEAL-EXPIRED")


def test_a_clock_revoked_before_it_gave_the_token_is_refused(world, clock):
    revoked = clock[0].revocation_list((clock[1], NOW - DAY, x509.ReasonFlags.superseded))
    refused(examine(*with_clock(world, clock, trust_lists=(revoked,))), "SEAL-REVOKED")


@pytest.mark.parametrize("reason", [x509.ReasonFlags.key_compromise, None])
def test_a_clock_whose_key_was_lost_voids_its_earlier_tokens(world, clock, reason):
    revoked = clock[0].revocation_list((clock[1], NOW + DAY, reason), made=NOW + 2 * DAY)
    p7s, trust = with_clock(world, clock, trust_lists=(revoked,))
    refused(examine(p7s, trust, now=NOW + 3 * DAY), "SEAL-TOKEN-VOID")


def test_a_clock_without_a_revocation_list_is_refused(world, clock):
    refused(examine(*with_clock(world, clock, trust_lists=())), "SEAL-LIST-MISSING")


def test_a_clock_nobody_has_pinned_counts_for_a_claim_only(world, clock):
    p7s, _ = with_clock(world, clock)
    trust = trusting(world.folder / "b", ("contractor", world.root), lists=(world.root.revocation_list(),))
    verdict = examine(p7s, trust)
    assert verdict.good
    assert verdict.time.kind is seal.TimeKind.CLAIMED
    assert "SEAL-TOKEN-UNPINNED" in {one.code for one in verdict.findings}
