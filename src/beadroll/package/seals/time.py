"""When a signature existed: the RFC 3161 token on it, judged against the pinned time-stamping authorities.

Knows tokens. Refuses to talk to anybody: fetching a token is another module's work.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from asn1crypto import core, tsp

from beadroll.findings import Finding, finding
from beadroll.package.seals.arithmetic import check_arithmetic, content_digest
from beadroll.package.seals.certificates import TIME_STAMPING, UNREADABLE, facts, usages
from beadroll.package.seals.cms import (
    AUTHORITY,
    Opened,
    Refused,
    check_algorithms,
    open_signed,
)
from beadroll.package.seals.path import (
    check_chain,
    check_limits,
    check_root_dates,
    day,
    reaches,
    revocation,
)
from beadroll.package.seals.trust import TIME_ROLE, Pin, Trust

CLOCK_TOLERANCE = timedelta(minutes=5)
"""Between two honest clocks; our choice."""

REASONS_THAT_SPARE_THE_PAST = frozenset({"unspecified", "affiliationChanged", "superseded", "cessationOfOperation"})
"""RFC 3161, 4, paragraph 1: with one of these reasons tokens from before the revocation stay good; with any other, or
none given, every token of that key is void."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attested:
    """What a token is worth: a time where it counts, and the findings."""

    at: datetime | None
    authority: str
    findings: tuple[Finding, ...] = ()


def judge_token(token: bytes, signature: bytes, trust: Trust, *, subject: str, now: datetime) -> Attested:
    """Judge one token over a signature value.

    A token of an authority nobody has pinned is set aside with a query; one that is damaged, over other bytes or
    void is a stop, since somebody put it there.
    """
    try:
        opened = open_signed(token, subject=subject, who=AUTHORITY)
        info = _token_info(opened)
        check_arithmetic(opened, _content(opened), content_type="tst_info")
        at = _covered(info, signature, trust, subject)
    except Refused as refused:
        return Attested(at=None, authority="", findings=(finding("SEAL-TOKEN-BAD", subject), refused.finding))
    name = facts(opened.certificate).name or facts(opened.certificate).subject
    pins = [pin for pin in trust.pinned(TIME_ROLE) if reaches(opened, trust, pin)]
    if not pins:
        return Attested(at=None, authority=name, findings=(finding("SEAL-TOKEN-UNPINNED", subject, name=name),))
    if at > now + CLOCK_TOLERANCE:
        return Attested(
            at=None, authority=name, findings=(finding("SEAL-TIME-FUTURE", subject, at=day(at), now=day(now)),)
        )
    found = _judge_authority(opened, trust, pins, at)
    if found:
        return Attested(at=None, authority=name, findings=tuple(found))
    until = facts(opened.certificate).valid_until
    notes = (finding("SEAL-TSA-EXPIRED", subject, name=name, until=day(until)),) if until < now else ()
    return Attested(at=at, authority=name, findings=notes)


def _token_info(opened: Opened) -> tsp.TSTInfo:
    content = opened.signed["encap_content_info"]
    if content["content_type"].native != "tst_info" or isinstance(content["content"], core.Void):
        raise Refused(finding("SEAL-NOT-A-TOKEN", opened.subject, kind=str(content["content_type"].native)))
    try:
        info = tsp.TSTInfo.load(bytes(content["content"]), strict=True)
        _ = info.native
    except UNREADABLE as error:
        raise Refused(finding("SEAL-UNREADABLE", opened.subject)) from error
    return info


def _content(opened: Opened) -> Callable[[str], bytes]:
    return content_digest(bytes(opened.signed["encap_content_info"]["content"]))


def _covered(info: tsp.TSTInfo, signature: bytes, trust: Trust, subject: str) -> datetime:
    """Return the token's time, once it is shown to cover this signature. Raises ``Refused``."""
    name = str(info["message_imprint"]["hash_algorithm"]["algorithm"].native)
    at: datetime = info["gen_time"].native
    refusal = trust.algorithms.refuse_digest(name, at)
    if refusal is not None:
        raise Refused(
            finding("SEAL-ALGORITHM", subject, who=AUTHORITY, algorithm=refusal.algorithm, reason=refusal.reason)
        )
    if content_digest(signature)(name) != bytes(info["message_imprint"]["hashed_message"].native):
        raise Refused(finding("SEAL-TOKEN-SWAPPED", subject))
    return at


def _judge_authority(opened: Opened, trust: Trust, pins: Sequence[Pin], at: datetime) -> list[Finding]:
    chain = check_chain(opened, trust, pins, at)
    found = [
        *chain.findings,
        *check_algorithms(opened, trust.algorithms, at),
        *check_root_dates(opened, chain, at),
    ]
    if chain.pin is not None:
        found += check_limits(opened, chain.pin, at)
    if usages(opened.certificate) != {TIME_STAMPING}:
        found.append(finding("SEAL-TOKEN-USAGE", opened.subject))
    entry = revocation(opened, chain, trust)
    if entry is not None and not any(one.code == "SEAL-REVOKED" for one in found):
        if entry.since <= at:
            found.append(
                finding(
                    "SEAL-REVOKED",
                    opened.subject,
                    who=AUTHORITY,
                    name=facts(opened.certificate).name,
                    since=day(entry.since),
                    at=day(at),
                )
            )
        elif entry.reason not in REASONS_THAT_SPARE_THE_PAST:
            found.append(
                finding("SEAL-TOKEN-VOID", opened.subject, since=day(entry.since), reason=entry.reason or "none given")
            )
    return found
