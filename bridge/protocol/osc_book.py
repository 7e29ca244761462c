"""OSC's address book: every address with its arguments, for people and for programs.

The addresses of commands come from the table; those about the connection and those of feedback
have no row there and stand here.
"""

from __future__ import annotations

import re
import typing
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from bridge.protocol.command import Command, Field, Osc, expected, fields_of, limits_of
from bridge.protocol.table import MODULES, client_commands


@dataclass(frozen=True, slots=True)
class Argument:
    """One argument: its name, its OSC type tag, what it takes in words, its limits, and what it is
    when it is left out (`required` says whether it can be)."""

    name: str
    tag: str
    takes: str
    required: bool = True
    default: Any = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One address: `{lane}` in it stands for the name of one. `button`: a first argument tells
    whether the button goes down (1, or no argument) or comes up (0: nothing is done)."""

    address: str
    says: str
    arguments: tuple[Argument, ...] = ()
    button: bool = False

    @property
    def tags(self) -> str:
        """The type tags of a message with all arguments, after the comma."""
        return ("i" if self.button else "") + "".join(one.tag for one in self.arguments)

    @property
    def written(self) -> str:
        """The address as it is written in a text: ``/lane/LANE/mute muted [when]``."""
        parts = [
            part[1:-1].upper() if part.startswith("{") else part for part in self.address.split("/")
        ]
        names = [a.name if a.required else f"[{a.name}]" for a in self.arguments]
        return " ".join(["/".join(parts), *(["[1]"] if self.button else []), *names])

    @property
    def told(self) -> str:
        """The arguments in words: ``muted: true or false (1 or 0); when: ..., now unless told``."""
        return "; ".join(map(_told, self.arguments))


PORT = Argument("port", "i", "a UDP port from 1024 to 65535, or 0", low=0, high=65535)
WORD = Argument("word", "s", "a text")
CONNECTION = (
    Entry(
        "/subscribe",
        "Sends feedback to this UDP port of the host that asks, and to nobody else, for ten "
        "minutes; ask again before they are over. 0 ends all feedback to the host. Over TCP, 1 "
        "sends it on the same connection.",
        (PORT,),
    ),
    Entry(
        "/addresses",
        "Answers with an `/address` for each address that there is now, to the port that the "
        "question came from or to another of the same host, and then `/addresses/end` with their "
        "number.",
        (
            Argument("pattern", "s", "an address pattern; all of them unless told", False),
            Argument("port", "i", "a UDP port from 1024 to 65535", False, low=0, high=65535),
        ),
    ),
    Entry(
        "/token",
        "Shows the token of `--lan`: the host may send OSC from then on.",
        (Argument("token", "s", "a text"),),
    ),
    Entry(
        "/confirm",
        "Sends back the word of a `/confirm` from here. A host that has shown the token by UDP "
        "only is sent one when it asks for feedback or for the addresses, and gets them when the "
        "word comes back: the sender of a datagram can be forged. A host that has opened the page, "
        "or speaks TCP, is not asked.",
        (WORD,),
    ),
)
"""Addresses that are about the connection and not about the music."""

ON = Argument("on", "i", "1 or 0")
NUMBER = Argument("value", "f", "a number")
FEEDBACK = (
    Entry("/lane/{lane}/mute", "1 while the lane is muted.", (ON,)),
    Entry("/macro/{macro}", "Where the macro is.", (NUMBER,)),
    Entry("/section/{section}", "1 for the section that plays, 0 for the others.", (ON,)),
    Entry("/transport/start", "1 while it runs.", (ON,)),
    Entry("/transport/stop", "1 while it stands.", (ON,)),
    Entry("/tempo", "Quarter notes per minute.", (NUMBER,)),
    Entry("/lane/{lane}/{setting}", "The value of a setting; on change only.", (NUMBER,)),
)
"""What subscribers are sent. All but the settings is repeated each second."""

ANSWERS = (
    Entry(
        "/address",
        "One address, in answer to `/addresses`.",
        (
            Argument("address", "s", "the address"),
            Argument("tags", "s", "its type tags"),
            Argument("arguments", "s", "its arguments in words"),
            Argument("says", "s", "what it does"),
        ),
    ),
    Entry("/addresses/end", "All have been sent.", (Argument("count", "i", "how many were sent"),)),
    Entry("/confirm", "A word to be sent back, see above.", (WORD,)),
)
"""What is sent to who asks for something."""


def entries() -> list[Entry]:
    """Every address that can be sent to us, in the order of the table."""
    return [*CONNECTION, *commands()]


def commands() -> list[Entry]:
    """The addresses of the table's commands: those of the performance first."""
    modules = [module.__name__ for module in MODULES]
    ordered = sorted(client_commands(), key=lambda command: modules.index(command.__module__))
    return [entry for command in ordered for entry in of_command(command)]


def of_command(command: type[Command]) -> list[Entry]:
    """The entries of one command, in the order of its row."""
    fields = fields_of(command)
    return [
        Entry(
            osc.template,
            _says(command, osc),
            tuple(_argument(fields[name]) for name in osc.args),
            osc.is_button,
        )
        for osc in command.ROW.osc
        if not osc.older
    ]


def _says(command: type[Command], osc: Osc) -> str:
    named = set(re.findall(r"{(\w+)}", osc.template))
    routes = sorted(
        command.ROW.http, key=lambda http: set(re.findall(r"{(\w+)}", http.path)) != named
    )
    text = routes[0].says if routes else command.ROW.do
    fixed = ", ".join(
        f"`{name}` is {'null' if value is None else value}" for name, value in osc.fixed
    )
    return f"{text} Here {fixed}." if fixed else text


def _argument(field: Field) -> Argument:
    low, high = limits_of(field) or (None, None)
    return Argument(
        field.name,
        next(_tags(field), "s"),
        expected(field),
        field.required,
        field.default,
        low,
        high,
    )


_TAGS: Mapping[object, str] = {bool: "i", int: "i", float: "f", str: "s"}


def _tags(field: Field) -> Iterator[str]:
    for part, _ in field.alternatives:
        tag = "s" if typing.get_origin(part) is Literal else _TAGS.get(part)
        if tag:
            yield tag


def _told(argument: Argument) -> str:
    takes = argument.takes.replace("true or false", "1 or 0").replace(" or null", "")
    if argument.required:
        return f"`{argument.name}`: {takes}"
    default = argument.default
    if isinstance(default, bool):
        default = int(default)
    told = "" if default in (None, "") else f", `{default}` unless told"
    return f"`{argument.name}`: {takes}{told}"
