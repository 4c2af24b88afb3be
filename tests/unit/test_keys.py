"""Keys of an organisation: what is made, what it is called, and what a wrong passphrase meets."""

from __future__ import annotations

import stat

import pytest

from beadroll.errors import InputError, MachineError
from beadroll.package.seals import keys, seal, trust
from beadroll.package.seals.trust import Trust
from tests.pki import NOW, PASSPHRASE, YEAR, authority


@pytest.fixture
def files(tmp_path):
    return keys.new_organisation("Halden Pipework", "Ada Holm", tmp_path / "keys", PASSPHRASE, demo=False, now=NOW)


def test_key_files_are_for_their_owner_alone(files):
    for path in (files.root_p12, files.signer_p12):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(files.directory.stat().st_mode) == 0o700
    assert {path.name for path in files.directory.iterdir()} == {
        "organisation-root.p12",
        "organisation-root.pem",
        "signer.p12",
        "signer.pem",
        "revoked.crl.pem",
    }


def test_the_fingerprint_told_is_the_one_that_a_pin_wants(files, tmp_path):
    assert trust.root_fingerprint(files.root_pem.read_bytes()) == files.fingerprint
    assert files.spoken.replace(" ", "") == files.fingerprint
    assert len(files.spoken.split()) == 16
    pin = trust.add(tmp_path / "trust", "contractor", files.root_pem.read_bytes(), files.spoken.upper())
    assert pin.fingerprint == files.fingerprint


def test_showing_keys_needs_no_passphrase(files):
    root, signer = keys.show(files.directory)
    assert (root.organisation, signer.name) == ("Halden Pipework", "Ada Holm")
    assert signer.valid_from == NOW
    assert not root.demo
    assert root.as_json()["fingerprint_sha256"] == files.fingerprint


@pytest.mark.parametrize("passphrase", ["", "wrong", PASSPHRASE + " "])
def test_a_wrong_passphrase_is_named_with_its_file(files, passphrase):
    with pytest.raises(InputError, match=r"signer\.p12: .*passphrase") as caught:
        keys.load_signer(files.signer_p12, passphrase)
    assert caught.value.remedy
    with pytest.raises(InputError, match="organisation-root"):
        keys.renew(files.directory, passphrase, now=NOW)
    assert len(list(files.directory.iterdir())) == 5


@pytest.mark.parametrize("damage", [lambda data: data[:-40], lambda _: b"", lambda _: b"text"])
def test_a_damaged_key_file_is_named(files, damage):
    files.signer_p12.write_bytes(damage(files.signer_p12.read_bytes()))
    with pytest.raises(InputError, match=r"signer\.p12"):
        keys.load_signer(files.signer_p12, PASSPHRASE)


def test_a_missing_key_file_is_named(tmp_path):
    with pytest.raises(InputError, match=r"nothing\.p12"):
        keys.load_signer(tmp_path / "nothing.p12", PASSPHRASE)


def test_keys_are_never_written_over_others(files):
    before = files.root_p12.read_bytes()
    with pytest.raises(InputError, match="keys lie there already"):
        keys.new_organisation("Other", "Bo", files.directory, "x", demo=False, now=NOW)
    assert files.root_p12.read_bytes() == before


@pytest.mark.parametrize(
    ("name", "person", "passphrase"), [("", "A", "x"), ("A", " ", "x"), ("A", "B", ""), ("A" * 65, "B", "x")]
)
def test_names_and_passphrase_are_needed(tmp_path, name, person, passphrase):
    with pytest.raises(InputError):
        keys.new_organisation(name, person, tmp_path / "keys", passphrase, demo=False, now=NOW)
    assert not (tmp_path / "keys").exists()


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(MachineError, match="cannot be written"):
        keys.new_organisation("A", "B", tmp_path / "file" / "keys", "x", demo=False, now=NOW)


def test_a_time_without_zone_is_refused(tmp_path):
    with pytest.raises(ValueError, match="time zone"):
        keys.new_organisation("A", "B", tmp_path / "k", "x", demo=False, now=NOW.replace(tzinfo=None))


def test_demonstration_keys_say_so_in_every_verdict(tmp_path):
    files = keys.new_organisation("Halden", "Ada", tmp_path / "keys", "x", demo=True, now=NOW)
    renewed = keys.renew(files.directory, "x", person="Bo Lind", now=NOW + YEAR)
    assert renewed.demo
    signer = keys.load_signer(files.signer_p12, "x")
    assert signer.demo
    assert signer.facts.name == "Bo Lind"
    trust.add(tmp_path / "trust", "contractor", files.root_pem.read_bytes(), files.fingerprint)
    p7s = seal.sign(b"x", signer, role="contractor", commitment="origin", now=NOW + YEAR)
    verdict = seal.examine(p7s, b"x", Trust.load(tmp_path / "trust"), role="contractor", now=NOW + YEAR)
    assert verdict.good
    assert verdict.demo
    assert "SEAL-DEMO-KEY" in {one.code for one in verdict.findings}
    assert "DEMONSTRATION KEY" in verdict.certificate()
    assert "demonstration key" in verdict.summary
    assert verdict.as_json()["demo"] is True
    nobody = seal.examine(p7s, b"y", Trust.nobody(), role="contractor", now=NOW)
    assert nobody.demo
    assert "demonstration key" in nobody.summary


def test_renewing_keeps_the_old_signers_files(files):
    old_key, old = files.signer_p12.read_bytes(), keys.show(files.directory)[1]
    keys.renew(files.directory, PASSPHRASE, now=NOW + YEAR)
    new, kept = keys.show(files.directory)[1:3]
    assert new.serial != old.serial == kept.serial
    assert (files.directory / f"signer-{old.serial[:16]}.p12").read_bytes() == old_key
    assert stat.S_IMODE(files.signer_p12.stat().st_mode) == 0o600
    assert keys.load_signer(files.signer_p12, PASSPHRASE).facts.serial == new.serial


def test_a_revocation_is_never_moved_to_a_later_day(files):
    serial = keys.show(files.directory)[1].serial
    keys.revoke(files.directory, PASSPHRASE, serial, reason="superseded", now=NOW)
    keys.revoke(files.directory, PASSPHRASE, serial, reason="key-compromise", now=NOW + YEAR)
    keys.refresh_list(files.directory, PASSPHRASE, now=NOW + YEAR)
    assert keys.revoked(files.directory) == {serial: NOW}


def test_a_revocation_needs_a_known_signer_and_reason(files):
    with pytest.raises(InputError, match="no signer here"):
        keys.revoke(files.directory, PASSPHRASE, "ab12", reason="superseded", now=NOW)
    with pytest.raises(InputError, match="no reason"):
        keys.revoke(files.directory, PASSPHRASE, keys.show(files.directory)[1].serial, reason="mood", now=NOW)
    assert keys.revoked(files.directory) == {}


def test_a_foreign_revocation_list_is_not_continued(files):
    files.revoked_pem.write_bytes(authority().revocation_list())
    with pytest.raises(InputError, match="not signed by this organisation"):
        keys.refresh_list(files.directory, PASSPHRASE, now=NOW)


def test_a_damaged_revocation_list_beside_the_key_is_named(files):
    files.revoked_pem.write_bytes(b"-----BEGIN X509 CRL-----\nAAAA\n-----END X509 CRL-----\n")
    with pytest.raises(InputError, match=r"revoked\.crl\.pem"):
        keys.load_signer(files.signer_p12, PASSPHRASE)


def test_a_key_file_from_elsewhere_is_imported_under_a_new_passphrase(tmp_path):
    party = authority().issue()
    party.signer(tmp_path)
    (source,) = tmp_path.glob("p12-*/signer.p12")
    told = keys.import_signer(source, PASSPHRASE, tmp_path / "keys", "another one")
    assert told.name == "Ada Holm"
    assert stat.S_IMODE((tmp_path / "keys" / "signer.p12").stat().st_mode) == 0o600
    assert keys.load_signer(tmp_path / "keys" / "signer.p12", "another one").chain
    with pytest.raises(InputError, match="lies there already"):
        keys.import_signer(source, PASSPHRASE, tmp_path / "keys", "another one")
    with pytest.raises(InputError, match="passphrase is empty"):
        keys.import_signer(source, PASSPHRASE, tmp_path / "other", "")
