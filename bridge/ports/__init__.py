"""MIDI ports: `open_output`, `open_input` and `list_ports`, real or simulated.

A port is named by ``simulated``, by ``virtual:NAME`` (a port of our own that others connect to),
or by a part of a MIDI port's name.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import TYPE_CHECKING

from bridge.errors import PortError
from bridge.ports.port import InPort, OutPort, PortInfo, Receive, unusable
from bridge.ports.simulated import SimulatedIn, SimulatedOut

if TYPE_CHECKING:
    from bridge.ports.rtmidi import System

__all__ = [
    "InPort",
    "OutPort",
    "PortInfo",
    "Receive",
    "SimulatedIn",
    "SimulatedOut",
    "has_system",
    "left_behind",
    "list_ports",
    "open_input",
    "open_output",
    "warm",
]

said: Callable[[str], None] | None = None
"""Told what is opened, where somebody wants to know. No logger: the player would load one for this
alone (0.6 MB)."""

_system: System | None = None


def warm() -> None:
    """Loads the MIDI library now, so that opening a port later takes no time to speak of.

    Raises PortError when there is no MIDI system.
    """
    _the_system()


def has_system() -> bool:
    """Whether a MIDI system has been found; looking for one takes milliseconds."""
    return _system is not None


def left_behind(labels: Collection[str]) -> bool:
    """Whether the MIDI system still holds outputs that a process of ours, which has died, opened by
    these labels. A JACK server does for a moment; who opens a port meanwhile may wait for seconds,
    or be refused."""
    return _system is not None and _system.left_behind(labels)


def open_output(text: str, label: str = "out") -> OutPort:
    """The output that `text` names; `label` is what our end is called.

    Raises PortError when it is missing, ambiguous or busy.
    """
    _say(f"opening the MIDI output {text}")
    if text == "simulated":
        return SimulatedOut(label)
    from bridge.ports.rtmidi import RtOut

    return RtOut(_the_system(), text, label)


def open_input(text: str, receive: Receive, label: str = "in") -> InPort:
    """The input that `text` names; every message goes to `receive`. Raises PortError."""
    _say(f"opening the MIDI input {text}")
    if text == "simulated":
        return SimulatedIn(receive, label)
    from bridge.ports.rtmidi import RtIn

    return RtIn(_the_system(), text, label, receive)


def list_ports() -> list[PortInfo]:
    """All MIDI ports of this computer; an empty list when there is no MIDI system."""
    try:
        system = _the_system()
    except PortError:
        return []
    found = [PortInfo(name, "out", *_usable(name)) for name in system.outputs()]
    found += [PortInfo(name, "in", *_usable(name)) for name in system.inputs()]
    return found


def _say(text: str) -> None:
    if said is not None:
        said(text)


def _usable(name: str) -> tuple[bool, str]:
    why = unusable(name)
    return not why, why


def _the_system() -> System:
    # One client of the system per process, however often names are listed.
    global _system
    if _system is None:
        from bridge.ports.rtmidi import System

        _system = System()
    _system = _system.renewed()
    return _system
