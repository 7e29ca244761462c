"""The options of every command that plays a set and opens the control surface, and the start."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn, TypeVar

import click

from bridge.commands.talk import least
from bridge.protocol.ports import HTTP_PORT, OSC_PORT

Command = TypeVar("Command", bound=Callable[..., object])


@dataclass(frozen=True, slots=True)
class Surface:
    """What was said of the control surface and of the log."""

    port: int
    osc_port: int
    lan: bool
    log: str

    def play(self, rig: Path, set_file: Path, *, start: bool, fresh: bool = False) -> NoReturn:
        """Plays a set on a rig until it is ended; this process has become another by then.

        Args:
            rig: the rig's file.
            set_file: the set's file.
            start: at once, instead of waiting for a start.
            fresh: begin with the files, also after a power cut.
        """
        from bridge.supervisor import loading, replacing

        options = loading.Options(
            rig=rig,
            set=set_file,
            http_port=self.port,
            osc_port=self.osc_port,
            lan=self.lan,
            start=start,
            fresh=fresh,
            log_json=self.log == "json",
            least=least(),
        )
        replacing.play(options)


def serving(command: Command) -> Callable[..., object]:
    """The options of everything that opens the control surface; `command` gets them as its
    `surface`, a `Surface`."""

    @functools.wraps(command)
    def served(
        *args: object, port: int, osc_port: int, lan: bool, log: str, **given: object
    ) -> object:
        return command(*args, surface=Surface(port, osc_port, lan, log), **given)

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
    run: Callable[..., object] = served
    for option in reversed(options):
        run = option(run)
    return run
