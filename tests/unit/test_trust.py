"""The trust folder: pins come in by a confirmed fingerprint, and nothing else changes them."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from beadroll.errors import InputError
from beadroll.package.seals import trust
from beadroll.package.seals.trust import TIME_ROLE, Trust
from tests.pki import NOW, TIME_STAMPING, authority


@pytest.fixture
def root():
    return authority()


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "trust"


def test_a_pin_is_read_back_with_its_limits(folder, root):
    added = trust.add(
        folder,
        "contractor",
        root.pem,
        root.fingerprint,
        subjects=("Ada Holm",),
        valid_from=date(2031, 1, 1),
        valid_until=date(2033, 12, 31),
        revocation_lists=root.revocation_list(),
    )
    read = Trust.load(folder)
    assert read.pins == (added,)
    assert read.roots == {root.fingerprint: root.der}
    assert len(read.revocation_lists) == 1
    assert added.covers(datetime(2031, 1, 1, tzinfo=UTC))
    assert added.covers(datetime(2033, 12, 31, 23, 59, 59, tzinfo=UTC))
    assert not added.covers(datetime(2034, 1, 1, tzinfo=UTC))
    assert not added.covers(datetime(2030, 12, 31, 23, 59, tzinfo=UTC))


@pytest.mark.parametrize(
    "write", [str.upper, " ".join, lambda text: ":".join(text[i : i + 2] for i in range(0, 64, 2))]
)
def test_a_fingerprint_may_be_typed_as_it_was_told(folder, root, write):
    assert trust.add(folder, "contractor", root.pem, write(root.fingerprint)).fingerprint == root.fingerprint


@pytest.mark.parametrize("told", ["", "00" * 32, "short"])
def test_a_fingerprint_not_confirmed_pins_nothing(folder, root, told):
    with pytest.raises(InputError, match="not the one confirmed") as caught:
        trust.add(folder, "contractor", root.pem, told)
    assert "another way" in caught.value.remedy
    assert not folder.exists()


def test_a_signers_certificate_is_no_root(folder, root):
    party = root.issue()
    with pytest.raises(InputError, match="signer's, not a root"):
        trust.add(folder, "contractor", party.pem, party.fingerprint)


@pytest.mark.parametrize("role", ["", "Contractor", "../x", "a b", "contractor\n", "-x"])
def test_a_role_is_a_plain_word(folder, root, role):
    with pytest.raises(InputError, match="no role"):
        trust.add(folder, role, root.pem, root.fingerprint)


@pytest.mark.parametrize("data", [b"", b"text", b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"])
def test_what_is_no_certificate_is_refused(folder, data):
    with pytest.raises(InputError):
        trust.add(folder, "contractor", data, "00" * 32)


def test_two_certificates_at_once_are_refused(folder, root):
    with pytest.raises(InputError, match="2 certificates"):
        trust.add(folder, "contractor", root.pem + authority().pem, root.fingerprint)


def test_the_same_pin_twice_is_refused_and_another_role_is_not(folder, root):
    trust.add(folder, "contractor", root.pem, root.fingerprint)
    with pytest.raises(InputError, match="already"):
        trust.add(folder, "contractor", root.der, root.fingerprint)
    trust.add(folder, "interpreter", root.pem, root.fingerprint)
    assert [pin.role for pin in Trust.load(folder).pins] == ["contractor", "interpreter"]


def test_clocks_are_kept_apart_and_may_only_stamp_time(folder, root):
    pin = trust.add(folder, TIME_ROLE, root.pem, root.fingerprint)
    assert pin.usages == (TIME_STAMPING,)
    assert [path.parent.name for path in folder.rglob("*.pem")] == ["tsa"]


def test_a_pin_removed_leaves_the_others_and_the_persons_comments(folder, root):
    other = authority("Other root")
    trust.add(folder, "contractor", root.pem, root.fingerprint)
    trust.add(folder, "inspector", other.pem, other.fingerprint)
    toml = folder / "trust.toml"
    toml.write_text("# our own note\n" + toml.read_text())
    trust.remove(folder, "contractor", root.fingerprint.upper())
    assert [pin.role for pin in Trust.load(folder).pins] == ["inspector"]
    assert toml.read_text().startswith("# our own note")
    with pytest.raises(InputError, match="no root"):
        trust.remove(folder, "contractor", root.fingerprint)
    trust.remove(folder, "inspector", other.fingerprint)
    assert Trust.load(folder).pins == ()


def test_a_root_file_replaced_on_disk_is_noticed(folder, root):
    trust.add(folder, "contractor", root.pem, root.fingerprint)
    (path,) = (folder / "roots").iterdir()
    path.write_bytes(authority().pem)
    with pytest.raises(InputError, match="is not the certificate pinned"):
        Trust.load(folder)
    path.unlink()
    with pytest.raises(InputError, match="cannot be read"):
        Trust.load(folder)


GOOD = 'role = "contractor"\nroot_sha256 = "%s"\nusages = ["1.2.3"]\n' % ("ab" * 32)


@pytest.mark.parametrize(
    "text",
    [
        "[[pin]]\n" + GOOD.replace("contractor", "No Role"),
        "[[pin]]\n" + GOOD.replace("ab", "a", 1),
        "[[pin]]\n" + GOOD.replace('["1.2.3"]', "[]"),
        "[[pin]]\n" + GOOD.replace('["1.2.3"]', "[1]"),
        "[[pin]]\n" + GOOD + "until = 2031-01-01\n",
        "[[pin]]\n" + GOOD + 'valid_until = "2031-01-01"\n',
        "[[pin]]\n" + GOOD + "valid_until = 2031-01-01T00:00:00Z\n",
        "[[pin]]\n" + GOOD + 'subjects = "Ada"\n',
        "[pin]\n" + GOOD,
        "[pins]\n",
        "[sunset]\nsha3 = 2031-01-01\n",
        "[sunset]\nsha256 = true\n",
        "sunset = 3\n",
        "pin = 3\n",
        "not toml",
        "\xff",
    ],
)
def test_a_trust_file_out_of_order_is_named(folder, text):
    folder.mkdir()
    (folder / "trust.toml").write_bytes(text.encode("latin-1"))
    with pytest.raises(InputError, match=r"trust\.toml") as caught:
        Trust.load(folder)
    assert caught.value.remedy


def test_a_folder_that_is_no_trust_folder_is_named(tmp_path):
    with pytest.raises(InputError, match=r"trust\.toml"):
        Trust.load(tmp_path)


def test_a_damaged_revocation_list_is_named(folder, root):
    trust.add(folder, "contractor", root.pem, root.fingerprint, revocation_lists=root.revocation_list())
    (path,) = (folder / "crls").iterdir()
    path.write_bytes(path.read_bytes()[:120])
    with pytest.raises(InputError, match="crls"):
        Trust.load(folder)
    with pytest.raises(InputError, match="crls"):
        trust.add_revocation_lists(folder, b"text")


def test_an_archive_may_bring_a_last_day_forward_but_not_back(folder, root):
    trust.add(folder, "contractor", root.pem, root.fingerprint)
    toml = folder / "trust.toml"
    toml.write_text(toml.read_text() + "\n[sunset]\necdsa = 2040-01-01\nsha256 = 2030-01-01\n")
    algorithms = Trust.load(folder).algorithms
    assert algorithms.last_day("ecdsa") == date(2035, 12, 31)
    assert algorithms.last_day("sha256") == date(2030, 1, 1)
    assert algorithms.refuse_digest("sha256", NOW)
    assert not algorithms.refuse_digest("sha512", NOW)


def test_the_listing_gives_each_pin_with_its_root(folder, root):
    trust.add(folder, "contractor", root.pem, root.fingerprint)
    ((pin, told),) = trust.listing(folder)
    assert (pin.role, told.name, told.fingerprint) == ("contractor", "Halden Pipework root", root.fingerprint)
