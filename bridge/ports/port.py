"""What a MIDI port is to the rest of the program, and how a person's words find one.

A rig names a port by a part of its name. Names are compared without regard to case and without
the numbers that the system hands out at each boot (``Quay Box MIDI 1 20:0`` is ``Quay Box MIDI
1``). One match is taken, a full match wins over parts, and several are refused with the list:
on stage a guess may send the drums to the wrong box. Two devices of one kind are told apart by the
USB socket that is written behind (``Quay Box MIDI 1, usb 1-1.2``), where the system tells it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from bridge.errors import PortError
from bridge.ports.usb import split

CLIENT = "lanebridge"
"""The name that our own clients bear, by which they are told from everybody else's."""

Receive = Callable[[int, bytes], None]
"""Called with the monotonic time of arrival in ns and one whole message. Must only enqueue."""

_SYSTEM_NUMBER = re.compile(r" \d+:\d+$")
_THROUGH = re.compile(r"\bmidi through\b|\bthrough port\b", re.IGNORECASE)


class OutPort(Protocol):
    """Where bytes leave. Closing twice is harmless; sending to a closed port does nothing."""

    @property
    def name(self) -> str: ...

    def send(self, data: bytes) -> None:
        """Sends one whole MIDI message now."""
        ...

    def close(self) -> None: ...

    def alive(self) -> bool:
        """Whether the other end is still there. May take 0.3 ms: not for tight moments."""
        ...

    def reopen(self) -> bool:
        """Connects again after a loss; False while the other end is still away."""
        ...


class InPort(Protocol):
    """Where bytes come in; they go to the `Receive` given on opening."""

    @property
    def name(self) -> str: ...

    def close(self) -> None: ...

    def alive(self) -> bool: ...

    def reopen(self) -> bool: ...


@dataclass(frozen=True, slots=True)
class PortInfo:
    """One port of this computer: `way` is as seen from here. `usable` is False for our own ports
    and for those that would lead what we send back to us; `why` says so."""

    name: str
    way: Literal["in", "out"]
    usable: bool = True
    why: str = ""


def plain(name: str) -> str:
    """`name` without the numbers that change from boot to boot; its USB socket stays."""
    bare, socket = split(name)
    bare = _SYSTEM_NUMBER.sub("", bare)
    return f"{bare}, usb {socket}" if socket else bare


def bare(name: str) -> str:
    """`name` without its USB socket, too."""
    return split(plain(name))[0]


def unusable(name: str) -> str:
    """Why this port is never connected to, or "" when it may be."""
    if plain(name).casefold().startswith(CLIENT):
        return "our own"
    if _THROUGH.search(name):
        return "leads back to its sender"
    return ""


def find(text: str, names: Iterable[str], way: str = "output") -> str:
    """The one name that `text` is part of.

    Args:
        text: a part of the name, in capitals or not, with its USB socket behind it or without.
        names: the ports that there are; those that are never connected to do not count.
        way: ``output`` or ``input``, as errors say it.

    Raises:
        PortError: none fits, several do (all are listed), or `text` is empty.
    """
    usable = [name for name in names if not unusable(name)]
    wanted, socket = split(text.strip().casefold())
    if not wanted:
        raise PortError(f"no MIDI {way} is named: give a part of its name")
    there = [name for name in usable if not socket or split(name)[1] == socket]
    full = [name for name in there if bare(name).casefold() == bare(wanted)]
    parts = full or [name for name in there if wanted in bare(name).casefold()]
    if len(parts) == 1:
        return parts[0]
    if not parts:
        listed = _listed(usable) or "there are none"
        raise PortError(f"no MIDI {way} has {text!r} in its name; {way}s: {listed}")
    if len({bare(name) for name in parts}) == 1:
        numbers = (
            "numbers change at each start and are of no use: "
            if any(_SYSTEM_NUMBER.search(split(name)[0]) for name in parts)
            else ""
        )
        apart = len({plain(name) for name in parts}) == len(parts)
        do = (
            f"write its USB socket behind the name, as {plain(parts[0])!r}"
            if apart
            else f"{numbers}connect one of them only, or give one another name"
        )
        raise PortError(f"{len(parts)} MIDI {way}s have the same name: {_listed(parts)}; {do}")
    raise PortError(
        f"{text!r} fits more than one MIDI {way}: {_listed(parts)}; say more of its name"
    )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(repr(name) for name in names)
