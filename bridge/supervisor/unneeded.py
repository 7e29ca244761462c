"""Libraries that a process of ours never needs, kept from being loaded.

None in `sys.modules` is how Python says "not here" (importlib's documentation), and whoever can do
without one does. What is loaded already stays.
"""

from __future__ import annotations

import sys
from collections.abc import MutableMapping
from importlib.util import find_spec
from typing import cast

OWN_DIGESTS = ("_md5", "_sha1", "_sha3", "_blake2")
"""Of Python itself. A distribution may leave them out where OpenSSL is to do all digests."""


def leave_out_openssl_digests() -> None:
    """`hashlib` and `hmac` do without OpenSSL, with the same digests (measured: 0.5 MB of each
    process, and 2 MB once for its library). What ours digest is some ten kilobytes at most."""
    if all(find_spec(name) is not None for name in OWN_DIGESTS):
        _leave_out("_hashlib")


def leave_out_tls() -> None:
    """Without it asyncio and aiohttp load none, nor every certificate of the system (measured:
    2.7 MB and 60 ms at each start). Nothing of ours speaks TLS."""
    _leave_out("ssl")


def _leave_out(name: str) -> None:
    cast("MutableMapping[str, object]", sys.modules).setdefault(name, None)
