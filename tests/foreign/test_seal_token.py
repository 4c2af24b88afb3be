"""Signing with a key on a token: SoftHSM 2 by way of PKCS#11, judged like any other seal."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from beadroll.errors import InputError, MachineError
from beadroll.package.seals import seal
from beadroll.package.seals.token import token_signer
from tests.pki import NOW, authority, rsa_key, trusting
from tests.tools import need

LIBRARIES = (
    "/usr/lib/softhsm/libsofthsm2.so",
    "/usr/lib/x86_64-linux-gnu/softhsm/libsofthsm2.so",
    "/usr/local/lib/softhsm/libsofthsm2.so",
)
CONTENT = b"aa  data/index.json\n"


@pytest.fixture(scope="module")
def token(tmp_path_factory):
    """A token with an elliptic-curve key and an RSA key, and the root that issued their certificates."""
    tool, folder = need("softhsm2-util"), tmp_path_factory.mktemp("token")
    pytest.importorskip("pkcs11")
    library = next((Path(path) for path in LIBRARIES if Path(path).exists()), None)
    assert library is not None, "softhsm2-util is there, its library is not"
    (folder / "tokens").mkdir()
    (folder / "softhsm2.conf").write_text(f"directories.tokendir = {folder}/tokens\nobjectstore.backend = file\n")
    os.environ["SOFTHSM2_CONF"] = str(folder / "softhsm2.conf")  # read by the library when it is first loaded
    subprocess.run(
        [tool, "--init-token", "--free", "--label", "beads", "--pin", "1234", "--so-pin", "4321"],
        check=True,
        capture_output=True,
    )
    root = authority()
    for number, (label, key) in enumerate(
        {"curve": ec.generate_private_key(ec.SECP384R1()), "rsa": rsa_key(3072)}.items()
    ):
        party = root.issue(key=key)
        _, pem = party.save(folder, label)
        (folder / f"{label}.pem").write_bytes(party.pem + root.pem)
        subprocess.run(
            [tool, "--import", str(pem), "--token", "beads", "--label", label, "--id", f"0{number}", "--pin", "1234"],
            check=True,
            capture_output=True,
        )
    (folder / "root.crl.pem").write_bytes(root.revocation_list())
    return library, folder, root


@pytest.mark.parametrize("label", ["curve", "rsa"])
def test_a_seal_by_a_key_on_a_token_counts_like_any_other(tmp_path, token, label):
    library, folder, root = token
    with token_signer(library, "beads", label, "1234", folder / f"{label}.pem") as signer:
        assert signer.facts.name == "Ada Holm"
        first = seal.sign(CONTENT, signer, role="contractor", commitment="origin", now=NOW)
        second = seal.sign(b"other", signer, role="contractor", commitment="origin", now=NOW)
    trust = trusting(tmp_path, ("contractor", root))
    for p7s, content in ((first, CONTENT), (second, b"other")):
        verdict = seal.examine(p7s, content, trust, role="contractor", now=NOW)
        assert verdict.good, verdict.certificate()
    (tmp_path / "seal.p7s").write_bytes(first)
    (tmp_path / "content").write_bytes(CONTENT)
    (tmp_path / "root.pem").write_bytes(root.pem)
    command = [need("openssl"), "cms", "-verify", "-binary", "-inform", "DER", "-in", "seal.p7s"]
    command += ["-content", "content", "-CAfile", "root.pem", "-attime", str(int(NOW.timestamp())), "-out", "/dev/null"]
    assert subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode == 0


@pytest.mark.parametrize(
    ("change", "kind", "words"),
    [
        ({"pin": "9999"}, InputError, "refuses the PIN"),
        ({"token": "pearls"}, InputError, "no single token"),
        ({"key_label": "silver"}, InputError, "0 private keys"),
        ({"module": Path("/nowhere.so")}, MachineError, "does not answer"),
        ({"certificates": Path("/nowhere.pem")}, InputError, "certificate cannot be read"),
    ],
)
def test_what_is_wrong_with_a_token_is_named(token, change, kind, words):
    library, folder, _ = token
    given = {
        "module": library,
        "token": "beads",
        "key_label": "curve",
        "pin": "1234",
        "certificates": folder / "curve.pem",
    } | change
    with pytest.raises(kind, match=words) as caught, token_signer(**given):
        pass
    assert caught.value.remedy
