"""`lanebridge clockcheck`: listens to a MIDI clock and says what it is like."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import click

CLOCK = b"\xf8"


def wait(seconds: float) -> None:
    """Lets the clock come in; Ctrl-C ends it early and the report is made of what there is."""
    try:
        time.sleep(seconds)
    except KeyboardInterrupt:
        click.echo()


@click.command(
    "clockcheck",
    help="Listens to the clock that RIG follows: tempo, jitter, missing and doubled pulses.",
)
@click.argument("rig", type=click.Path(path_type=Path))
@click.option(
    "--seconds",
    default=10.0,
    show_default=True,
    type=click.FloatRange(1, 3600),
    help="How long to listen.",
)
@click.option(
    "--from",
    "source",
    metavar="PORT",
    help="A part of a MIDI input's name, instead of the one the rig follows.",
)
@click.pass_context
def command(context: click.Context, rig: Path, seconds: float, source: str | None) -> None:
    from bridge.errors import BridgeError, Exit
    from bridge.files.rig import load_rig
    from bridge.paper.clockcheck import check
    from bridge.paper.clocktext import text
    from bridge.ports import open_input

    name = source or load_rig(rig).clock.follow
    if name == "internal":
        raise BridgeError(
            f"{rig}  uses the internal clock (clock.follow: internal); name an input with --from"
        )
    stamps: list[int] = []

    def receive(ns: int, data: bytes) -> None:
        if data == CLOCK:
            stamps.append(ns)

    port = open_input(name, receive, "clockcheck")
    try:
        click.echo(f"listening to {port.name} for {seconds:g} s ...")
        wait(seconds)
    finally:
        port.close()
    report = check(sorted(stamps))
    click.echo(text(report, min(100, shutil.get_terminal_size().columns)))
    context.exit(Exit.GOOD if report.grade in ("good", "usable") else Exit.WRONG)
