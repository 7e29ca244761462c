"""The outputs of a rig moved from a terminal, with no player between."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.files.rig import Rig
    from bridge.voltage.encode import Encoder, Message

LEAVES_S = 0.05
"""What was just sent must leave before its port closes."""

Send = Callable[[Sequence["Message"]], None]


@contextlib.contextmanager
def early_end() -> Iterator[None]:
    """Ends a dialogue, and nothing more, where its person breaks it off."""
    try:
        yield
    except (click.Abort, KeyboardInterrupt):
        click.echo()


@contextlib.contextmanager
def open_outputs(rig: Rig, interfaces: Sequence[str]) -> Iterator[tuple[Encoder, Send]]:
    """Opens the ports of some interfaces; everything rests afterwards.

    Args:
        rig: the rig.
        interfaces: names of those to open. What belongs to the others is not sent.

    Yields:
        The encoder of the rig, without any tuning, and a function that sends its messages.
    """
    from bridge import ports
    from bridge.voltage.encode import Encoder

    encoder = Encoder(rig.wired)
    with contextlib.ExitStack() as stack:
        opened = {}
        for name in interfaces:
            opened[name] = ports.open_output(rig.interfaces[name].port, name)
            stack.callback(opened[name].close)

        def send(messages: Sequence[Message]) -> None:
            for message in messages:
                if message.port in opened:
                    opened[message.port].send(message.data)

        try:
            send(encoder.setup())
            yield encoder, send
        finally:
            send(encoder.panic())
            time.sleep(LEAVES_S)
