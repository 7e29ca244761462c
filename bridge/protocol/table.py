"""The table of commands: every row, whatever module it is written in.

To add a command: write its row in one of these modules, its handler (`bridge.music.handlers` for
what the performance does, `bridge.player.dispatch` for the clock and the ports, the service for
what it does itself), and a test. Bodies, OSC addresses, the API's description and the page's limits
follow.
"""

from __future__ import annotations

from bridge.protocol import asking, editing, gestures, internal, performing, running
from bridge.protocol.command import TABLE, Command, decode

__all__ = ["TABLE", "client_commands", "decode"]

MODULES = (performing, gestures, running, editing, asking, internal)


def client_commands() -> list[type[Command]]:
    """The commands that a client can send."""
    return [command for command in TABLE.values() if command.ROW.by != "process"]
