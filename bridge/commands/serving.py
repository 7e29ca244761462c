"""The options of every command that opens the control surface."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from bridge.protocol.ports import HTTP_PORT, OSC_PORT

Command = TypeVar("Command", bound=Callable[..., Any])


def serving(command: Command) -> Command:
    """The options of everything that opens the control surface."""
    options = (
        click.option(
            "--port",
            default=HTTP_PORT,
            show_default=True,
            type=click.IntRange(0, 65535),
            help="HTTP port of the page.",
        ),
        click.option(
            "--osc-port",
            default=OSC_PORT,
            show_default=True,
            type=click.IntRange(0, 65535),
            help="Port of OSC, UDP and TCP.",
        ),
        click.option(
            "--lan",
            is_flag=True,
            help="Reachable from the network, with a token in the printed address.",
        ),
        click.option(
            "--log",
            default="text",
            show_default=True,
            type=click.Choice(["text", "json"]),
            help="How the log is written: for people, or one JSON object a line.",
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command
