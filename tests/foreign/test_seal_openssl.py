"""Seals against OpenSSL, both ways: it accepts what counts here, refuses what was changed, and its seals count here.

OpenSSL's `cms` and `ts` programs, version 3, as described in openssl-cms(1) and openssl-ts(1).
"""

from __future__ import annotations

import subprocess
from datetime import UTC, datetime, timedelta

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from beadroll.package.seals import keys, seal
from beadroll.package.seals import trust as trust_folder
from beadroll.package.seals.timestamp import HttpTimestamper, TimestampUnavailable
from tests.pki import NOW, YEAR, OpensslClock, authority, rsa_key, served, trusting
from tests.tools import need

CONTENT = b"aa  data/index.json\nbb  data/mets.xml\n"


@pytest.fixture
def openssl():
    return need("openssl")


def cms_verify(openssl, folder, p7s: bytes, content: bytes, root: bytes, at: datetime):
    (folder / "seal.p7s").write_bytes(p7s)
    (folder / "content").write_bytes(content)
    (folder / "root.pem").write_bytes(root)
    command = [openssl, "cms", "-verify", "-binary", "-inform", "DER", "-in", "seal.p7s", "-content", "content"]
    command += ["-CAfile", "root.pem", "-attime", str(int(at.timestamp())), "-out", "/dev/null"]
    return subprocess.run(command, cwd=folder, capture_output=True, check=False)


KINDS = {
    "p-256": ec.SECP256R1,
    "p-384": ec.SECP384R1,
    "p-521": ec.SECP521R1,
}


@pytest.mark.parametrize("kind", [*KINDS, "rsa-3072"])
def test_openssl_accepts_our_seals_and_refuses_them_over_changed_content(tmp_path, openssl, kind):
    root = authority()
    signer = root.issue(key=rsa_key(3072) if kind == "rsa-3072" else ec.generate_private_key(KINDS[kind]()))
    made = signer.signer(tmp_path, root.revocation_list())
    p7s = seal.sign(CONTENT, made, role="contractor", commitment="origin", now=NOW)
    assert seal.examine(p7s, CONTENT, trusting(tmp_path, ("contractor", root)), role="contractor", now=NOW).good
    accepted = cms_verify(openssl, tmp_path, p7s, CONTENT, root.pem, NOW)
    assert accepted.returncode == 0, accepted.stderr
    assert b"successful" in accepted.stderr
    for changed in (CONTENT.replace(b"aa", b"ab"), CONTENT[:-1], b""):
        assert cms_verify(openssl, tmp_path, p7s, changed, root.pem, NOW).returncode != 0
    assert cms_verify(openssl, tmp_path, p7s, CONTENT, authority().pem, NOW).returncode != 0


def test_openssl_accepts_seals_by_keys_made_here_with_the_exported_root(tmp_path, openssl):
    files = keys.new_organisation("Halden Pipework", "Ada Holm", tmp_path / "keys", "a b c", demo=True, now=NOW)
    signer = keys.load_signer(files.signer_p12, "a b c")
    p7s = seal.sign(CONTENT, signer, role="contractor", commitment="origin", now=NOW)
    accepted = cms_verify(openssl, tmp_path, p7s, CONTENT, files.root_pem.read_bytes(), NOW)
    assert accepted.returncode == 0, accepted.stderr
    changed = bytearray(p7s)
    changed[-20] ^= 1
    assert cms_verify(openssl, tmp_path, bytes(changed), CONTENT, files.root_pem.read_bytes(), NOW).returncode != 0


def test_openssl_reads_the_key_files_and_the_revocation_list(tmp_path, openssl):
    files = keys.new_organisation("Halden Pipework", "Ada Holm", tmp_path / "keys", "a b c", demo=False, now=NOW)
    opened = subprocess.run(
        [openssl, "pkcs12", "-in", str(files.signer_p12), "-passin", "pass:a b c", "-nodes"],
        capture_output=True,
        check=True,
    )
    assert opened.stdout.count(b"BEGIN CERTIFICATE") == 2
    assert opened.stdout.count(b"BEGIN PRIVATE KEY") == 1
    chain = subprocess.run(
        [
            *(openssl, "verify", "-attime", str(int(NOW.timestamp())), "-crl_check"),
            *("-CRLfile", str(files.revoked_pem), "-CAfile", str(files.root_pem)),
            *("-x509_strict", str(files.directory / "signer.pem")),
        ],
        capture_output=True,
        check=False,
    )
    assert chain.returncode == 0, chain.stderr


@pytest.mark.parametrize("arguments", [("-cades",), ("-cades", "-md", "sha512"), ("-cades", "-keyid"), ()])
def test_seals_made_by_openssl_are_judged_rightly(tmp_path, openssl, arguments):
    now = datetime.now(UTC)
    root = authority(since=now - YEAR, until=now + YEAR)
    signer = root.issue(since=now - YEAR, until=now + YEAR / 2)
    certificate, key = signer.save(tmp_path, "signer")
    (tmp_path / "content").write_bytes(CONTENT)
    subprocess.run(
        [
            *(openssl, "cms", "-sign", "-binary", "-in", "content", "-signer", certificate, "-inkey", key),
            *("-outform", "DER", "-out", "made.p7s", *arguments),
        ],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    p7s = (tmp_path / "made.p7s").read_bytes()
    trust = trusting(tmp_path, ("contractor", root), lists=(root.revocation_list(made=now - timedelta(days=1)),))
    verdict = seal.examine(p7s, CONTENT, trust, role="contractor", now=now)
    assert verdict.good, verdict.certificate()
    # Without -cades nothing signed names the certificate, and the verdict asks about it.
    asked = {one.code for one in verdict.findings} - {"SEAL-TIME-CLAIMED"}
    assert asked == (set() if arguments else {"SEAL-CERTIFICATE-UNBOUND"})
    assert not seal.examine(p7s, CONTENT + b" ", trust, role="contractor", now=now).good
    # A third party's certificate has no signed role, so it counts for the role its root is pinned for, and no other.
    assert not seal.examine(p7s, CONTENT, trust, role="inspector", now=now).good


# ------------------------------------------------------------------------------------------------------ trusted time


@pytest.fixture
def clock(tmp_path, openssl):
    now = datetime.now(UTC)
    root = authority("Clock root", since=now - YEAR, until=now + 10 * YEAR)
    folder = tmp_path / "clock"
    folder.mkdir()
    return root, OpensslClock.make(folder, root, openssl)


@pytest.fixture
def party(tmp_path):
    now = datetime.now(UTC)
    root = authority(since=now - YEAR, until=now + YEAR)
    signer = root.issue(since=now - YEAR, until=now + YEAR / 2)
    return root, signer.signer(tmp_path, root.revocation_list(made=now - timedelta(days=1)))


def test_a_token_from_a_time_stamping_authority_proves_the_time(tmp_path, openssl, clock, party):
    now = datetime.now(UTC)
    with served(clock[1].reply) as url:
        p7s = seal.sign(
            CONTENT, party[1], role="contractor", commitment="origin", timestamper=HttpTimestamper(url=url), now=now
        )
    lists = (clock[0].revocation_list(made=now - timedelta(days=1)),)
    trust = trusting(tmp_path, ("contractor", party[0]), ("timestamp", clock[0]), lists=lists)
    later = datetime.now(UTC) + timedelta(seconds=2)
    verdict = seal.examine(p7s, CONTENT, trust, role="contractor", now=later)
    assert verdict.good, verdict.certificate()
    assert verdict.time.kind is seal.TimeKind.TRUSTED
    assert verdict.time.authority == "Clock of Halden"
    assert abs(verdict.time.at - now) < timedelta(minutes=1)
    assert cms_verify(openssl, tmp_path, p7s, CONTENT, party[0].pem, now).returncode == 0


def test_openssl_confirms_the_token_over_the_signature_value(tmp_path, openssl, clock, party):
    from beadroll.package.seals.cms import open_signed, tokens

    with served(clock[1].reply) as url:
        p7s = seal.sign(
            CONTENT,
            party[1],
            role="contractor",
            commitment="origin",
            timestamper=HttpTimestamper(url=url),
            now=datetime.now(UTC),
        )
    opened = open_signed(p7s, subject="x", who="y")
    (tmp_path / "token").write_bytes(tokens(opened)[0])
    (tmp_path / "signature").write_bytes(opened.signature)
    (tmp_path / "clock-root.pem").write_bytes(clock[0].pem)
    command = [openssl, "ts", "-verify", "-token_in", "-in", "token", "-data", "signature", "-CAfile", "clock-root.pem"]
    checked = subprocess.run(command, cwd=tmp_path, capture_output=True, check=False)
    assert checked.returncode == 0, checked.stderr
    assert b"Verification: OK" in checked.stdout + checked.stderr


def test_a_seal_made_while_the_authority_is_down_is_completed_later(tmp_path, openssl, clock, party):
    now = datetime.now(UTC)
    with served(lambda _: None) as url:
        made = seal.seal(
            CONTENT, party[1], role="contractor", commitment="origin", timestamper=HttpTimestamper(url=url), now=now
        )
    assert [one.code for one in made.findings] == ["SEAL-TIME-PENDING"]
    assert seal.pending(made.p7s)
    with served(clock[1].reply) as url:
        completed = seal.complete_pending(made.p7s, HttpTimestamper(url=url))
    assert not seal.pending(completed)
    assert seal.signature_value(completed) == seal.signature_value(made.p7s)
    assert seal.complete_pending(completed, HttpTimestamper(url="http://127.0.0.1:9/")) == completed
    lists = (clock[0].revocation_list(made=now - timedelta(days=1)),)
    trust = trusting(tmp_path, ("contractor", party[0]), ("timestamp", clock[0]), lists=lists)
    later = datetime.now(UTC) + timedelta(seconds=2)
    before = seal.examine(made.p7s, CONTENT, trust, role="contractor", now=later)
    after = seal.examine(completed, CONTENT, trust, role="contractor", now=later)
    assert (before.time.kind, after.time.kind) == (seal.TimeKind.CLAIMED, seal.TimeKind.TRUSTED)
    assert cms_verify(openssl, tmp_path, completed, CONTENT, party[0].pem, now).returncode == 0


def test_a_reply_to_another_question_is_not_taken_for_a_token(clock):
    first = []

    def replay(query):
        first.append(query)
        return clock[1].reply(first[0])

    with served(replay) as url:
        clockwork = HttpTimestamper(url=url)
        assert clockwork.token(b"one")
        with pytest.raises(TimestampUnavailable, match="answers another request"):
            clockwork.token(b"two")


@pytest.mark.parametrize(
    ("answer", "reason"),
    [(b"<html>busy</html>", "cannot be read"), (b"", "cannot be read"), (b"\x30\x05\x30\x03\x02\x01\x02", "rejection")],
)
def test_what_is_no_token_is_named(answer, reason):
    with served(lambda _: answer) as url, pytest.raises(TimestampUnavailable, match=reason):
        HttpTimestamper(url=url).token(b"one")


@pytest.mark.parametrize("url", ["ftp://127.0.0.1/", "file:///etc/passwd", "http://127.0.0.1:1/"])
def test_an_authority_that_cannot_be_reached_is_named(url):
    with pytest.raises(TimestampUnavailable, match=url):
        HttpTimestamper(url=url, timeout_s=2).token(b"one")


def test_a_pinned_root_is_exported_as_openssl_reads_it(tmp_path, openssl):
    root = authority()
    trusting(tmp_path, ("contractor", root))
    (kept,) = (tmp_path / "trust" / "roots").iterdir()
    said = subprocess.run(
        [openssl, "x509", "-in", str(kept), "-noout", "-fingerprint", "-sha256"], capture_output=True, check=True
    )
    spoken = said.stdout.decode().partition("=")[2].strip()
    ((pin, _),) = trust_folder.listing(tmp_path / "trust")
    assert spoken.replace(":", "").lower() == pin.fingerprint
