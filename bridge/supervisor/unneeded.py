"""Libraries that a process of ours never needs, kept from being loaded.

None in `sys.modules` is how Python says "not here" (importlib's documentation), and whoever can do
without one does. What is loaded already stays.
"""

from __future__ import annotations

import os
import sys
from collections.abc import MutableMapping
from importlib.util import find_spec
from types import ModuleType
from typing import NoReturn, cast

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


HTTP_CLIENT = (
    "client",
    "client_middleware_digest_auth",
    "client_middlewares",
    "client_proto",
    "client_reqrep",
    "client_ws",
    "connector",
    "cookiejar",
    "resolver",
    "tracing",
)
"""Of aiohttp, what its server never asks for."""


class _LeftOut:
    """Stands for whatever a module that was left out has: it can be named, not made."""

    def __init__(self, *_: object, **__: object) -> NoReturn:
        raise RuntimeError("this was left out of the process (bridge.supervisor.unneeded)")


class _StandIn(ModuleType):
    def __getattr__(self, name: str) -> object:
        if name.startswith("__"):
            raise AttributeError(name)
        return _LeftOut


def leave_out_http_client() -> None:
    """Loads aiohttp's server without its client, which it always loads as well (measured: 1.2 MB
    and 40 ms), and without a C++ library for lists of three entries (0.6 MB). A version that does
    not do without the client is loaded whole, when it is asked for."""
    os.environ.update(FROZENLIST_NO_EXTENSIONS="1")
    before = set(sys.modules)
    for name in HTTP_CLIENT:
        sys.modules.setdefault(f"aiohttp.{name}", _StandIn(f"aiohttp.{name}"))
    try:
        import aiohttp.web  # noqa: F401
    except Exception:
        for name in set(sys.modules) - before:
            if name.partition(".")[0] == "aiohttp":
                del sys.modules[name]


def leave_out_plugins() -> None:
    """Loads pydantic's search for plugins, which are to be found by none of our processes, without
    what it would search with (measured: 0.6 MB)."""
    os.environ.update(PYDANTIC_DISABLE_PLUGINS="__all__")
    search = "importlib.metadata"
    if search not in sys.modules:
        sys.modules[search] = _StandIn(search)
        try:
            import pydantic.plugin._loader  # noqa: F401
        except Exception:  # another version: it finds what it wants when it is asked for
            sys.modules.pop("pydantic.plugin._loader", None)
        finally:
            del sys.modules[search]


def _leave_out(name: str) -> None:
    cast("MutableMapping[str, object]", sys.modules).setdefault(name, None)
