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
"""What our modules and libraries name, and a service needs for one rare thing or for none: names
of computers in other letters, archives, what a misspelt word was meant to be, what compares two
texts or fits a set to another rig."""


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
    """How the headers of HTTP are read (`email.policy.HTTP`). It is loaded with the first of them
    that is asked about, a ``Content-Type``: what opens pages alone sends none (0.6 MB)."""

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
    """Loads pydantic without the time zones of the world, which no model of ours names, and what
    finds their files (measured: 0.3 MB)."""
    names = [f"pydantic._internal.{name}" for name in ("_validators", "_generate_schema")]
    try:
        with _stand_in("zoneinfo"):
            for name in names:
                import_module(name)
    except Exception:  # another version, as above
        for name in names:
            sys.modules.pop(name, None)


class _Entities(dict[str, str]):
    """The named characters of HTML, read when text from a page is first asked about."""

    def __contains__(self, name: object) -> bool:
        self._read()
        return super().__contains__(name)

    def __getitem__(self, name: str) -> str:
        self._read()
        return super().__getitem__(name)

    def _read(self) -> None:
        if not len(self):
            from html.entities import html5

            self.update(html5)


def leave_out_entities() -> None:
    """`html` without the table of its 2,231 named characters, of which only reading HTML makes use,
    and writing none (measured: 0.4 MB)."""
    name = "html.entities"
    if name in sys.modules or "html" in sys.modules:
        return
    with _stand_in(name) as stands:
        vars(stands).update(html5=_Entities())
        import html  # noqa: F401


def leave_out_types_of_the_system() -> None:
    """What kind of file a name means is read in Python's own table, not in those of the system as
    well, which aiohttp reads whole when it is loaded (measured: 0.4 MB)."""
    import mimetypes

    if not mimetypes.inited:
        mimetypes.init(files=[])


@contextmanager
def _stand_in(name: str) -> Iterator[ModuleType]:
    """What is loaded in the block finds a stand-in under this name, unless the module is there."""
    stands = _StandIn(name)
    stays = sys.modules.setdefault(name, stands) is not stands
    try:
        yield stands
    finally:
        if not stays:
            del sys.modules[name]


def _leave_out(name: str) -> None:
    cast("MutableMapping[str, object]", sys.modules).setdefault(name, None)
