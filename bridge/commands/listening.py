"""What commands that listen have in common: the input, the caution, a rig moved directly."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Literal, TypeVar

import click

from bridge.commands.direct import Send, open_outputs

if TYPE_CHECKING:
    from bridge.bench.hearing import Hearing
    from bridge.files.rig import Rig
    from bridge.voltage.encode import Encoder

Command = TypeVar("Command", bound=Callable[..., object])
HEARS_THE_RACK = "A part of the name of the audio input that hears the rack."
PRIVACY = "Nothing of the sound is recorded or kept, only what is measured of it."


def listen_option(says: str, *, required: bool = False) -> Callable[[Command], Command]:
    """``--listen INPUT``."""
    return click.option("--listen", metavar="INPUT", required=required, help=says)


def channel_option(name: str, of: str) -> Callable[[Command], Command]:
    return click.option(
        name,
        default=1,
        show_default=True,
        type=click.IntRange(1, 64),
        help=f"Channel of {of}, counted from 1.",
    )


class DirectHands:
    """Moves the outputs of a rig from this process, and knows when each message left."""

    def __init__(self, encoder: Encoder, send: Send) -> None:
        self._encoder = encoder
        self._send = send

    def now_ns(self) -> int:
        return time.monotonic_ns()

    def wait(self, seconds: float) -> None:
        time.sleep(seconds)

    def open(self, output: str, level: float) -> int:
        messages = self._encoder.gate_on(output, level)
        now = time.monotonic_ns()
        self._send(messages)
        return now

    def close(self, output: str) -> int:
        messages = self._encoder.gate_off(output)
        now = time.monotonic_ns()
        self._send(messages)
        return now

    def value(self, output: str, what: Literal["pitch", "level"], value: float) -> int:
        encode = self._encoder.pitch if what == "pitch" else self._encoder.level
        messages = encode(output, value)
        now = time.monotonic_ns()
        self._send(messages)
        return now

    def rest(self, output: str) -> None:
        self._send(self._encoder.rest())


@contextlib.contextmanager
def ears_on(rig: Rig, wanted: str, channel: int, ports: Sequence[str]) -> Iterator[Hearing]:
    """An input that listens while the outputs of some interfaces are moved; everything rests
    afterwards. Raises `ListenError` when the input cannot be opened: then nothing has been sent."""
    from bridge.listen.opening import listening
    from bridge.listen.wrong import insist_on_libraries

    insist_on_libraries()
    # Loaded before the input is opened: its thread must not wait for the interpreter that long.
    from bridge.bench.hearing import Hearing

    with listening(wanted, channel) as ear, open_outputs(rig, ports) as (encoder, send):
        click.echo(f"listening to {ear.name}, channel {channel}. {PRIVACY}")
        yield Hearing(ear, DirectHands(encoder, send))


def monitors_down(warning: str) -> None:
    """Asks for monitors to be turned down; ends the command when they are not."""
    click.echo(warning)
    if not click.confirm("Are they down?", default=False):
        click.echo("nothing was sent; turn them down, then begin again")
        raise SystemExit(1)
