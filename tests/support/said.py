"""Commands as plain objects, for tests: made as they are when they arrive at the player."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from bridge.music.performance import Performance
from bridge.protocol.command import Command, encode
from bridge.protocol.table import decode


def say(do: str, **fields: Any) -> Command:
    """The command ``do`` with its fields."""
    return decode({"do": do, **fields})


def carry_out(performance: Performance, command: Mapping[str, Any], tick: int) -> None:
    """Does a plain object's command at `tick`, as the client that it names."""
    performance.apply(decode(command), tick, str(command.get("client", "")))


def plain(command: Command, client: str = "") -> dict[str, Any]:
    """The plain object of a command, as it goes to the player for a client."""
    return {**encode(command), "client": client} if client else encode(command)
