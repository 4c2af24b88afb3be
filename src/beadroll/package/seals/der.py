"""Whether bytes are one whole DER value: lengths exact, nesting bounded, nothing behind the end.

Asked before any ASN.1 reader sees a seal, because such readers are lenient about ends and slow about depth. Knows
tags and lengths (ITU-T X.690); refuses to know what they mean.
"""

from __future__ import annotations

DEEPEST = 48
"""Levels. A seal with a time-stamp token needs some 30; our own bound."""
MOST_VALUES = 100_000
"""Values in one seal, a long revocation list among them; our own bound."""


class NotDer(ValueError):  # noqa: N818 - a finding about bytes, caught where it is turned into a sentence
    """The bytes are not a whole DER value."""


def whole_length(data: bytes) -> int:
    """Return the length in bytes of the DER value at the start of ``data``, after walking all of it.

    Raises ``NotDer`` for indefinite or overlong lengths, values that leave their parent, and unbounded nesting. What
    lies behind the value is the caller's affair.
    """
    _, _, end = _header(data, 0, len(data))
    ends = [end]
    position = count = 0
    while position < end:
        while ends and position == ends[-1]:
            ends.pop()
        count += 1
        if count > MOST_VALUES or len(ends) > DEEPEST:
            raise NotDer("too many values, or too deeply nested")
        constructed, start, stop = _header(data, position, ends[-1] if ends else end)
        if constructed and stop > start:
            ends.append(stop)
            position = start
        else:
            position = stop
    return end


def _header(data: bytes, position: int, limit: int) -> tuple[bool, int, int]:
    """Return whether the value is constructed, where its contents start and where it ends."""
    try:
        tag, position = data[position], position + 1
        if tag & 0x1F == 0x1F:  # noqa: PLR2004 - X.690, 8.1.2.4: the number stands in the following bytes
            while data[position] & 0x80:
                position += 1
            position += 1
        first, position = data[position], position + 1
        length = first
        if first & 0x80:
            size = first & 0x7F
            if not 1 <= size <= 4 or data[position] == 0:  # noqa: PLR2004 - 4 GiB is more than any seal
                raise NotDer("a length is indefinite or overlong")
            length = int.from_bytes(data[position : position + size], "big")
            position += size
            if length < 0x80:  # noqa: PLR2004 - X.690, 10.1: the shortest form is the only one
                raise NotDer("a length is not in its shortest form")
    except IndexError as error:
        raise NotDer("the bytes end within a value's head") from error
    if position + length > limit:
        raise NotDer("a value is longer than what holds it")
    return bool(tag & 0x20), position, position + length


def children(data: bytes) -> list[bytes]:
    """Return the encodings of the values directly within one constructed DER value. Raises ``NotDer``."""
    constructed, position, end = _header(data, 0, len(data))
    if not constructed:
        raise NotDer("the value holds no others")
    found = []
    while position < end:
        _, _, stop = _header(data, position, end)
        found.append(data[position:stop])
        position = stop
    return found


def value(tag: int, contents: bytes) -> bytes:
    """Return the DER encoding of contents under a one-byte tag."""
    size = len(contents)
    if size < 0x80:  # noqa: PLR2004 - X.690, 8.1.3.4: the short form
        return bytes((tag, size)) + contents
    length = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(length))) + length + contents


SEQUENCE, SET, CONTENT, UNSIGNED = 0x30, 0x31, 0xA0, 0xA1
"""Tags on the way to the unsigned attributes: RFC 5652, 3, 5.1 and 5.3."""


def add_unsigned_attribute(signature: bytes, attribute: bytes) -> bytes:
    """Return a signature by one signer with one more unsigned attribute, every other byte as it was.

    The unsigned attributes end the SignerInfo, which ends the SignedData, so that only the lengths around them
    change. Raises ``NotDer`` for bytes that are no such signature.
    """
    try:
        kind, content = children(signature)
        (signed,) = children(content)
        *fields, infos = children(signed)
        (info,) = children(infos)
        parts = children(info)
    except ValueError as error:
        raise NotDer("it is not a signature by one signer") from error
    attributes = children(parts.pop()) if parts[-1][0] == UNSIGNED else []
    # X.690, 11.6: the elements of a set stand in ascending order.
    parts.append(value(UNSIGNED, b"".join(sorted([*attributes, attribute]))))
    fields.append(value(SET, value(SEQUENCE, b"".join(parts))))
    return value(SEQUENCE, kind + value(CONTENT, value(SEQUENCE, b"".join(fields))))
