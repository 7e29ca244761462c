"""Libraries that a process of ours never needs, kept from being loaded.

None in `sys.modules` is how Python says "not here" (importlib's documentation), and whoever can do
without one does. What is loaded already stays.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, MutableMapping
from contextlib import contextmanager
from importlib import import_module
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


SELDOM = (
    "asyncio.sslproto",
    "attr.validators",
    "calendar",
    "difflib",
    "idna",
    "statistics",
    "zipfile",
    "bridge.files.examples",
    "bridge.files.fitting",
    "bridge.paper.moments",
    "bridge.paper.trial",
    "bridge.paper.tuned",
)
"""Modules that the service uses rarely or never, and loads on first use (`bridge.late`): for host
names that are not ASCII, archives, spelling suggestions, comparing two texts, and fitting a set to
another rig."""


class _LeftOut:
    """Stands for whatever a module that was left out has: it can be named, not made."""

    def __init__(self, *_: object, **__: object) -> NoReturn:
        raise RuntimeError("this was left out of the process (bridge.supervisor.unneeded)")


class _StandIn(ModuleType):
    def __getattr__(self, name: str) -> object:
        if name.startswith("__"):
            raise AttributeError(name)
        return _LeftOut


class _PolicyOfHttp:
    """`email.policy.HTTP`, loaded on first use (0.6 MB). The HTTP library uses it to parse a
    ``Content-Type`` header; a service that only serves pages gets none."""

    def __getattr__(self, name: str) -> object:
        return getattr(import_module("email.policy").HTTP, name)


def leave_out_http_client() -> None:
    """Loads aiohttp's server without its client, which it always loads as well (measured: 1.2 MB
    and 40 ms), without what reads a command line of its own (0.3 MB), and without a C++ library for
    lists of three entries (0.6 MB). A version that does not do without the client is loaded whole,
    when it is asked for."""
    os.environ.update(FROZENLIST_NO_EXTENSIONS="1")
    before = set(sys.modules)
    for name in HTTP_CLIENT:
        sys.modules.setdefault(f"aiohttp.{name}", _StandIn(f"aiohttp.{name}"))
    try:
        with _stand_in("urllib.request"), _stand_in("argparse"), _stand_in("email.policy") as mail:
            vars(mail).update(HTTP=_PolicyOfHttp())
            import aiohttp.web  # noqa: F401
    except Exception:
        for name in set(sys.modules) - before:
            if name.partition(".")[0] == "aiohttp":
                del sys.modules[name]


def leave_out_plugins() -> None:
    """Loads pydantic's search for plugins, which are to be found by none of our processes, without
    what it would search with (measured: 0.6 MB)."""
    os.environ.update(PYDANTIC_DISABLE_PLUGINS="__all__")
    try:
        with _stand_in("importlib.metadata"):
            import pydantic.plugin._loader  # noqa: F401
    except Exception:  # another version: it finds what it wants when it is asked for
        sys.modules.pop("pydantic.plugin._loader", None)


def leave_out_time_zones() -> None:
    """Loads pydantic without `zoneinfo`, which none of our models uses (measured: 0.3 MB)."""
    names = [f"pydantic._internal.{name}" for name in ("_validators", "_generate_schema")]
    try:
        with _stand_in("zoneinfo"):
            for name in names:
                import_module(name)
    except Exception:  # another version, as above
        for name in names:
            sys.modules.pop(name, None)


class _Entities(dict[str, str]):
    """The table of named characters of HTML, loaded on first use."""

    def __contains__(self, name: object) -> bool:
        self._read()
        return super().__contains__(name)

    def __getitem__(self, name: str) -> str:
        self._read()
        return super().__getitem__(name)

    def _read(self) -> None:
        if not self:
            from html.entities import html5

            self.update(html5)


def leave_out_entities() -> None:
    """Loads `html` without its table of 2,231 named characters, which only reading HTML needs
    (measured: 0.4 MB)."""
    name = "html.entities"
    if name in sys.modules or "html" in sys.modules:
        return
    with _stand_in(name) as stands:
        vars(stands).update(html5=_Entities())
        import html  # noqa: F401


def leave_out_types_of_the_system() -> None:
    """Takes media types from Python's own table only. aiohttp would also read the tables of the
    system when it is loaded (measured: 0.4 MB)."""
    import mimetypes

    if not mimetypes.inited:
        mimetypes.init(files=[])


@contextmanager
def _stand_in(name: str) -> Iterator[ModuleType]:
    """Modules that are imported in the block get a stand-in for the module of this name, unless
    that is loaded already."""
    stands = _StandIn(name)
    stays = sys.modules.setdefault(name, stands) is not stands
    try:
        yield stands
    finally:
        if not stays:
            del sys.modules[name]


def _leave_out(name: str) -> None:
    cast("MutableMapping[str, object]", sys.modules).setdefault(name, None)
