"""Asking a time-stamping authority for a token: RFC 3161 over HTTP.

Knows the request and the reply. Refuses to judge the authority, and to wait: where it is down, the caller is told
and may come back.
"""

from __future__ import annotations

import hashlib
import secrets
import urllib.error
import urllib.request
from dataclasses import dataclass
from urllib.parse import urlsplit

from asn1crypto import algos, cms, tsp

from beadroll.errors import MachineError
from beadroll.package.seals.der import children, whole_length

DIGEST = "sha512"
LARGEST_REPLY = 1 << 20
"""Bytes; a token with its chain takes some 5 kB."""
_UNREADABLE = (ValueError, TypeError, KeyError, IndexError, OverflowError, RecursionError, AttributeError)


class TimestampUnavailable(MachineError):  # noqa: N818 - a state, named as the office says it
    """The time-stamping authority gave no token; the seal can be completed later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpTimestamper:
    """A time-stamping authority at an HTTP or HTTPS address."""

    url: str
    timeout_s: float = 20.0

    def token(self, signature: bytes) -> bytes:
        """Return a DER-encoded token over the SHA-512 of ``signature``. Raises ``TimestampUnavailable``."""
        nonce = secrets.randbits(63)
        imprint = hashlib.new(DIGEST, signature).digest()
        request = tsp.TimeStampReq(
            {
                "version": 1,
                "message_imprint": tsp.MessageImprint(
                    {
                        "hash_algorithm": algos.DigestAlgorithm({"algorithm": DIGEST}),
                        "hashed_message": imprint,
                    }
                ),
                "nonce": nonce,
                "cert_req": True,
            }
        )
        return self._read(self._post(request.dump()), imprint, nonce)

    def _post(self, body: bytes) -> bytes:
        if urlsplit(self.url).scheme not in {"http", "https"}:
            raise self._down("its address is neither http nor https")
        request = urllib.request.Request(  # noqa: S310 - the scheme has just been checked
            self.url, data=body, headers={"Content-Type": "application/timestamp-query"}, method="POST"
        )
        try:
            with urllib.request.urlopen(request, timeout=self.timeout_s) as reply:  # noqa: S310 - as above
                data: bytes = reply.read(LARGEST_REPLY + 1)
        except (urllib.error.URLError, OSError, ValueError) as error:
            raise self._down(str(getattr(error, "reason", "") or error)) from error
        if len(data) > LARGEST_REPLY:
            raise self._down("its reply is too long to be a token")
        return data

    def _read(self, data: bytes, imprint: bytes, nonce: int) -> bytes:
        try:
            if whole_length(data) != len(data):
                raise ValueError("something lies behind the reply")
            status, *tokens = children(data)
            answer = tsp.PKIStatusInfo.load(status)["status"].native
            if answer not in {"granted", "granted_with_mods"}:
                raise self._down(f"it answered {answer}")
            (original,) = tokens
            content = cms.ContentInfo.load(original)["content"]["encap_content_info"]["content"]
            info = tsp.TSTInfo.load(bytes(content))
            answered = info["message_imprint"]["hashed_message"].native, info["nonce"].native
        except _UNREADABLE as error:
            raise self._down("its reply cannot be read") from error
        if answered != (imprint, nonce):
            raise self._down("its reply answers another request")
        return original

    def _down(self, reason: str) -> TimestampUnavailable:
        return TimestampUnavailable(
            f"{self.url} gave no token: {reason}",
            remedy="The seal holds without it; ask for the trusted time again when the authority answers.",
        )
