"""Is this datagram OSC at all? Its structure is checked before any parser sees it.

Open Sound Control 1.0: a packet is a message or a bundle; every part is a multiple of 4 bytes; a
bundle is ``#bundle``, a time tag of 8 bytes, and elements of (int32 size, contents). A parser that
trusts the sizes loops for ever on a negative one, and one that trusts the nesting runs out of
stack. So sizes must be positive multiples of 4 inside the packet, and bundles at most
`NESTING_MOST` deep. Messages whose type tags the standard does not know are dropped, as it asks.
"""

from __future__ import annotations

import struct

DATAGRAM_MOST = 8 << 10  # bytes; longer ones are not for us
NESTING_MOST = 3
MESSAGES_MOST = 256  # in one datagram

_BUNDLE = b"#bundle\x00"
_SIZES = {
    "i": 4,
    "f": 4,
    "h": 8,
    "t": 8,
    "d": 8,
    "c": 4,
    "r": 4,
    "m": 4,
    "T": 0,
    "F": 0,
    "N": 0,
    "I": 0,
    "[": 0,
    "]": 0,
    "s": -1,
    "S": -1,
    "b": -2,
}


class MalformedError(ValueError):
    """The datagram is not OSC, or not within our limits."""


class UnknownTagError(MalformedError):
    """A message with a type tag that the standard does not know: to be discarded."""


def messages(datagram: bytes) -> list[bytes]:
    """The messages of a packet, in order, each checked; those with unknown tags are left out.

    Raises `MalformedError`; it never raises anything else and takes time linear in the length.
    """
    if len(datagram) > DATAGRAM_MOST:
        raise MalformedError("too long")
    found: list[bytes] = []
    _element(datagram, 0, found)
    return found


def address_of(message: bytes) -> str:
    """The address of a message that `messages` has let through."""
    return message[: message.index(b"\x00")].decode("ascii")


def _element(data: bytes, depth: int, found: list[bytes]) -> None:
    if not data or len(data) % 4:
        raise MalformedError("the size is not a positive multiple of 4")
    if not data.startswith(_BUNDLE):
        if len(found) >= MESSAGES_MOST:
            raise MalformedError("too many messages")
        try:
            check_message(data)
        except UnknownTagError:
            return
        found.append(data)
        return
    if depth >= NESTING_MOST:
        raise MalformedError("bundles are nested too deep")
    if len(data) < 16:
        raise MalformedError("a bundle without a time tag")
    at = 16
    while at < len(data):
        (size,) = struct.unpack_from(">i", data, at)  # lengths are multiples of 4: it is there
        at += 4
        if size <= 0 or size % 4 or size > len(data) - at:
            raise MalformedError(f"an element of {size} bytes")
        _element(data[at : at + size], depth + 1, found)
        at += size


def check_message(data: bytes) -> None:
    """Checks that a message's strings end and its arguments are all there.

    Raises `MalformedError`, or `UnknownTagError` for a message to discard.
    """
    address, at = _string(data, 0)
    if not address.startswith("/"):
        raise MalformedError("an address begins with /")
    if at == len(data):
        return  # older senders leave the type tags out; without arguments there is no doubt
    tags, at = _string(data, at)
    if not tags.startswith(","):
        raise MalformedError("no type tags")
    depth = 0
    for tag in tags[1:]:
        size = _SIZES.get(tag)
        if size is None:
            raise UnknownTagError(f"type tag {tag!r}")
        if tag in "[]":
            depth += 1 if tag == "[" else -1
            if not 0 <= depth <= NESTING_MOST:
                raise MalformedError("array brackets that do not fit")
        elif size == -1:
            _, at = _string(data, at)
        elif size == -2:
            at = _blob(data, at)
        else:
            at += size
            if at > len(data):
                raise MalformedError("an argument is cut off")
    if depth or at != len(data):
        raise MalformedError("more or fewer bytes than the type tags say")


def _string(data: bytes, at: int) -> tuple[str, int]:
    end = data.find(b"\x00", at)
    if end < 0:
        raise MalformedError("a string without end")
    after = at + (end - at) // 4 * 4 + 4
    if after > len(data) or any(data[end:after]):
        raise MalformedError("a string is not padded with zeros")
    try:
        return data[at:end].decode("ascii"), after
    except UnicodeDecodeError:
        raise MalformedError("a string that is not ASCII") from None


def _blob(data: bytes, at: int) -> int:
    if at + 4 > len(data):
        raise MalformedError("a blob is cut off")
    (size,) = struct.unpack_from(">i", data, at)
    after: int = at + 4 + (size + 3) // 4 * 4
    if size < 0 or after > len(data):
        raise MalformedError(f"a blob of {size} bytes")
    return after
