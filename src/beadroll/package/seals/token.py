"""Signing with a key that stays on a token: a smart card, a USB key, a security module, by way of PKCS#11.

Knows how to open the token and find the key; the certificate comes as a file. Refuses to know where the PIN comes
from. Needs the ``pkcs11`` extra.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from asn1crypto import x509

from beadroll.errors import InputError, MachineError
from beadroll.package.seals.certificates import facts, read_certificates
from beadroll.package.seals.keys import Signer, revocation_lists_beside


@contextmanager
def token_signer(module: Path, token: str, key_label: str, pin: str, certificates: Path) -> Iterator[Signer]:
    """Open a signer whose key lies on a token, for as long as the ``with`` block lasts.

    ``module`` is the token maker's PKCS#11 library, ``token`` and ``key_label`` the labels on it, ``certificates`` a
    PEM file with the signer's certificate first and those above it behind; revocation lists are taken from beside it.
    Raises ``InputError`` for a wrong PIN, label or certificate file, ``MachineError`` where the library or the token
    does not answer or the extra is not installed.
    """
    certificate, *above = _certificates(certificates)
    with _session(module, token, pin) as session:
        from pyhanko.sign.pkcs11 import PKCS11Signer  # noqa: PLC0415 - only signing with a token needs it

        _check_key(session, token, key_label)
        engine = PKCS11Signer(
            session, signing_cert=certificate, ca_chain=above, key_label=key_label, use_raw_mechanism=True
        )
        yield Signer(
            facts=facts(certificate),
            certificate=certificate.dump(),
            chain=tuple(one.dump() for one in above),
            revocation_lists=revocation_lists_beside(certificates),
            engine=engine,
        )


def _certificates(path: Path) -> tuple[x509.Certificate, ...]:
    try:
        return read_certificates(path.read_bytes())
    except (OSError, ValueError) as error:
        raise InputError(
            f"the signer's certificate cannot be read ({error})",
            path=str(path),
            remedy="Export the certificate from the token as PEM, and name that file.",
        ) from error


@contextmanager
def _session(module: Path, token: str, pin: str) -> Iterator[Any]:
    try:
        import pkcs11  # noqa: PLC0415 - an extra, missing on most machines
    except ImportError as error:
        raise MachineError(
            "signing with a token needs the library python-pkcs11",
            remedy="Install beadroll with its extra: pip install 'beadroll[pkcs11]'.",
        ) from error
    try:
        session = pkcs11.lib(str(module)).get_token(token_label=token).open(user_pin=pin)
    except (pkcs11.NoSuchToken, pkcs11.MultipleTokensReturned) as error:
        raise InputError(
            f"the library shows no single token labelled {token!r}",
            path=str(module),
            remedy="Plug the token in, and check its label with the maker's program.",
        ) from error
    except (pkcs11.PinIncorrect, pkcs11.PinLenRange, pkcs11.PinLocked, pkcs11.PinInvalid) as error:
        raise InputError(
            f"the token {token!r} refuses the PIN",
            path=str(module),
            remedy="Type the PIN again, and mind that most tokens lock after a few wrong ones.",
        ) from error
    except (pkcs11.PKCS11Error, RuntimeError) as error:
        raise MachineError(
            f"{module}: the token's library does not answer ({type(error).__name__})",
            remedy="Check the path of the PKCS#11 library, and that it is for this kind of machine.",
        ) from error
    with session:
        yield session


def _check_key(session: Any, token: str, key_label: str) -> None:
    """Find the key before anything is signed, so that a wrong label is named as such."""
    from pkcs11 import Attribute, ObjectClass  # noqa: PLC0415 - as above

    found = list(session.get_objects({Attribute.CLASS: ObjectClass.PRIVATE_KEY, Attribute.LABEL: key_label}))
    if len(found) != 1:
        raise InputError(
            f"the token has {len(found)} private keys labelled {key_label!r}",
            path=token,
            remedy="Check the key's label with the maker's program.",
        )
