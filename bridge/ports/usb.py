"""Which USB socket a MIDI port hangs on, so that two devices of one kind can be told apart.

ALSA numbers its sequencer clients anew at each boot, and two equal devices have equal names. What
stays is the socket that a device is plugged into. The kernel gives the clients of sound cards the
numbers from 16 on, four for each card (``SNDRV_SEQ_GLOBAL_CLIENTS`` and
``SNDRV_SEQ_CLIENTS_PER_CARD`` in sound/core/seq/seq_clientmgr.c), and programs those from 128 on;
``/sys/class/sound/cardN`` is a link to the card's place among the devices, in which a USB device is
called ``BUS-PORT[.PORT...]`` (Documentation/ABI, sysfs-bus-usb).
"""

from __future__ import annotations

import os
import re

CARDS = "/sys/class/sound"
FIRST_CLIENT, CLIENTS_PER_CARD, FIRST_PROGRAM = 16, 4, 128
_NUMBERS = re.compile(r" (\d+):\d+$")
_DEVICE = re.compile(r"\d+-\d+(?:\.\d+)*")
_BEHIND = re.compile(r", usb (\d+-\d+(?:\.\d+)*)$", re.IGNORECASE)


def split(name: str) -> tuple[str, str]:
    """A port's name and the socket that is written behind it, "" when there is none."""
    found = _BEHIND.search(name)
    return (name, "") if found is None else (name[: found.start()], found[1])


def named(name: str, cards: str | os.PathLike[str] | None = None) -> str:
    """The name with its socket behind it, as ``Quay Box MIDI 1 20:0, usb 1-1.2``; the same name
    where the system does not say."""
    numbers = _NUMBERS.search(name)
    if numbers is None:
        return name
    client = int(numbers[1])
    if not FIRST_CLIENT <= client < FIRST_PROGRAM:
        return name
    socket = socket_of((client - FIRST_CLIENT) // CLIENTS_PER_CARD, cards)
    return f"{name}, usb {socket}" if socket else name


def socket_of(card: int, cards: str | os.PathLike[str] | None = None) -> str:
    """The USB socket of a sound card, "" when it is none on USB or the system does not say."""
    try:
        place = os.readlink(os.path.join(cards or CARDS, f"card{card}"))
    except OSError:
        return ""
    sockets = [part for part in place.split("/") if _DEVICE.fullmatch(part)]
    return sockets[-1] if sockets else ""
