"""OSC's address book over HTTP."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict

from aiohttp import web

from bridge.osc.server import Osc
from bridge.protocol import osc_book
from bridge.web import bodies as b
from bridge.web.http import Route


class OscArgument(b.Answer):
    """One argument: its type tag, and what it takes, in words and as limits. `default` is what it
    is when it is left out, where it can be."""

    name: str
    tag: str
    takes: str
    required: bool
    default: bool | int | float | str | None
    low: float | None
    high: float | None


class OscEntry(b.Answer):
    """One address; `{lane}` in it stands for the name of one. `button`: no argument
    or a first one of 1 is the press, and 0 the release. `tags`: those of a message
    with all arguments."""

    address: str
    says: str
    tags: str
    button: bool
    arguments: list[OscArgument]


class OscBook(b.Answer):
    """`commands` do something, `connection` is about the connection, `feedback` is what subscribers
    are sent, `answers` what who asks for the addresses is sent; `addresses` are all that there are
    now, names filled in. `port` is that of UDP, and where `tcp` is true of TCP."""

    port: int
    tcp: bool
    commands: list[OscEntry]
    connection: list[OscEntry]
    feedback: list[OscEntry]
    answers: list[OscEntry]
    addresses: list[str]


def _shown(entries: list[osc_book.Entry] | tuple[osc_book.Entry, ...]) -> list[OscEntry]:
    return [
        OscEntry(
            address=entry.address,
            says=entry.says,
            tags=entry.tags,
            button=entry.button,
            arguments=[OscArgument(**asdict(argument)) for argument in entry.arguments],
        )
        for entry in entries
    ]


def osc_route(osc: Osc, port: Callable[[], int]) -> Route:
    """The route.

    Args:
        osc: whose addresses are listed, names filled in.
        port: gives where OSC listens, which is known once it does.
    """

    async def book(request: web.Request, query: object) -> OscBook:
        return OscBook(
            port=port(),
            tcp=osc.streams.listening,
            commands=_shown(osc_book.commands()),
            connection=_shown(osc_book.CONNECTION),
            feedback=_shown(osc_book.FEEDBACK),
            answers=_shown(osc_book.ANSWERS),
            addresses=osc.addresses,
        )

    return Route("GET", "/api/osc", "oscAddresses", "The OSC address book.", book, answer=OscBook)
