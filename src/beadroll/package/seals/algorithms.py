"""Which digests and signatures count, and until when: an allow-list, so that what is not named is refused.

Knows names, key sizes and last days. Refuses to know whose signature it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

from asn1crypto import algos, keys
from pyhanko_certvalidator.policy_decl import AlgorithmUsageConstraint, AlgorithmUsagePolicy

LAST_DAY_CLASSICAL = date(2035, 12, 31)
"""NIST IR 8547 (initial public draft, November 2024), tables 2 and 4, from memory: RSA and elliptic-curve signatures
are disallowed after 2035. A seal with a trusted time before that day stays good."""

DIGESTS: Mapping[str, date | None] = {"sha256": None, "sha384": None, "sha512": None}
"""No published end for these (NIST SP 800-131A revision 2, section 9, from memory). SHA-1 and MD5 never count."""

SIGNATURES: Mapping[str, date | None] = {
    "ecdsa": LAST_DAY_CLASSICAL,
    "rsassa_pkcs1v15": LAST_DAY_CLASSICAL,
    "rsassa_pss": LAST_DAY_CLASSICAL,
}

LEAST_BITS: Mapping[str, int] = {"rsa": 3072, "rsassa_pss": 3072, "ec": 256}
"""128 bits of strength: NIST SP 800-57 part 1 revision 5, table 2."""

CURVES = frozenset({"secp256r1", "secp384r1", "secp521r1"})
"""The curves of FIPS 186-5 that OpenSSL, browsers and smart cards all know."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why an algorithm does not count: never, its key too short, or its last day passed."""

    algorithm: str
    reason: str
    last_day: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AllowList:
    """The allow-list, with last days that an archive may bring forward but never push back."""

    earlier: Mapping[str, date] = field(default_factory=dict)

    def last_day(self, name: str) -> date | None:
        """Return the last day on which the named algorithm counts; None where no end is set."""
        given = DIGESTS.get(name, SIGNATURES.get(name))
        own = self.earlier.get(name)
        days = [day for day in (given, own) if day is not None]
        return min(days) if days else None

    def refuse_digest(self, name: str, at: datetime) -> Refusal | None:
        """Return why the digest does not count at that time, or None where it does."""
        if name not in DIGESTS:
            return Refusal(algorithm=name, reason="it is not on the list of allowed digests")
        return self._refuse_late(name, at)

    def refuse_signature(self, name: str, at: datetime) -> Refusal | None:
        """Return why the kind of signature does not count at that time, or None where it does."""
        if name not in SIGNATURES:
            return Refusal(algorithm=name, reason="it is not on the list of allowed signatures")
        return self._refuse_late(name, at)

    def refuse_key(self, key: keys.PublicKeyInfo) -> Refusal | None:
        """Return why the public key does not count (its kind, curve or length), or None where it does."""
        kind = str(key.algorithm)
        if kind not in LEAST_BITS:
            return Refusal(algorithm=kind, reason="it is not on the list of allowed kinds of key")
        if kind == "ec":
            named, curve = key.curve
            if named != "named" or curve not in CURVES:
                return Refusal(algorithm=f"curve {curve}", reason="it is not on the list of allowed curves")
            return None
        bits = int(key.bit_size)
        if bits < LEAST_BITS[kind]:
            return Refusal(
                algorithm=f"{kind} with {bits} bits", reason=f"{LEAST_BITS[kind]} bits are the least that count"
            )
        return None

    def _refuse_late(self, name: str, at: datetime) -> Refusal | None:
        last = self.last_day(name)
        if last is None or at < datetime.combine(last, time(), tzinfo=UTC) + timedelta(days=1):
            return None
        return Refusal(algorithm=name, reason=f"its last day was {last.isoformat()}", last_day=last)


class PathPolicy(AlgorithmUsagePolicy):
    """The same list, in the shape that path validation asks for."""

    def __init__(self, allowed: AllowList) -> None:
        self.allowed = allowed

    def digest_algorithm_allowed(
        self, algo: algos.DigestAlgorithm, moment: datetime | None
    ) -> AlgorithmUsageConstraint:
        """Judge a digest used in a certificate or revocation list."""
        return _answer(self.allowed.refuse_digest(algo["algorithm"].native, _at(moment)))

    def signature_algorithm_allowed(
        self,
        algo: algos.SignedDigestAlgorithm,
        moment: datetime | None,
        public_key: keys.PublicKeyInfo | None,
    ) -> AlgorithmUsageConstraint:
        """Judge a signature on a certificate or revocation list, with the key that made it."""
        refusal = refuse_mechanism(self.allowed, algo, _at(moment))
        if refusal is None and public_key is not None:
            refusal = self.allowed.refuse_key(public_key)
        return _answer(refusal)


def refuse_mechanism(allowed: AllowList, algo: algos.SignedDigestAlgorithm, at: datetime) -> Refusal | None:
    """Return why a signature algorithm (kind and digest together) does not count, or None where it does."""
    try:
        kind, digest = algo.signature_algo, algo.hash_algo
    except ValueError:
        # 'rsaEncryption' names no digest; the digest is then judged from the signer's own field.
        name = algo["algorithm"].native
        kind, digest = ("rsassa_pkcs1v15" if name == "rsassa_pkcs1v15" else name), None
    refusal = allowed.refuse_signature(kind, at)
    if refusal is None and digest is not None:
        refusal = allowed.refuse_digest(digest, at)
    return refusal


def _at(moment: datetime | None) -> datetime:
    return moment or datetime.min.replace(tzinfo=UTC)


def _answer(refusal: Refusal | None) -> AlgorithmUsageConstraint:
    if refusal is None:
        return AlgorithmUsageConstraint(allowed=True)
    return AlgorithmUsageConstraint(allowed=False, failure_reason=f"{refusal.algorithm}: {refusal.reason}")
