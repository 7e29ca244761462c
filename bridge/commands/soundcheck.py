"""`lanebridge soundcheck`: every jack once, with a person listening."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.files.rig import Rig

FILE = click.Path(path_type=Path)
WARNING = """\
Turn monitors and headphones down now, and mind your hearing: a jack in the wrong place can drive an
amplifier to full level at once. Everything starts quietly; bring the level up slowly."""


@click.command("soundcheck")
@click.argument("rig", type=FILE)
@click.option(
    "--only", multiple=True, metavar="OUTPUT", help="Check only this output (may repeat)."
)
@click.option("--report", type=FILE, help="Write what was found to this file as well.")
@click.option(
    "--loop",
    metavar="INPUT",
    help="Adapter self-test: the interface's MIDI output is cabled to this MIDI input.",
)
@click.option("--interface", metavar="NAME", help="Self-test of this one instead of the first.")
def command(
    rig: Path, only: tuple[str, ...], report: Path | None, loop: str | None, interface: str | None
) -> None:
    """Checks every output of RIG, one at a time: answer yes, no or skip."""
    from bridge.errors import InputError, Problem
    from bridge.files.rig import load_rig
    from bridge.files.strict import near

    loaded = load_rig(rig)
    if interface is not None and loop is None:
        raise click.UsageError("--interface belongs to --loop; --only chooses outputs")
    if loop is not None:
        name = interface or next(iter(loaded.interfaces))
        if name not in loaded.interfaces:
            said = f"there is no interface {name}{near(name, loaded.interfaces)}"
            raise InputError([Problem(said, file=str(rig))])
        raise SystemExit(_loop(loaded, name, loop))
    unknown = [name for name in only if name not in loaded.wired]
    if unknown:
        raise InputError(
            [
                Problem(f"there is no output {n}{near(n, loaded.wired)}", file=str(rig))
                for n in unknown
            ]
        )
    click.echo(WARNING)
    if not click.confirm("Are they down?", default=False):
        raise SystemExit(1)
    lines = _check(loaded, list(only) or list(loaded.wired))
    click.echo("\n" + "\n".join(lines))
    if report is not None:
        from bridge.files.store import save

        head = f"Soundcheck of {loaded.name}, {datetime.now():%Y-%m-%d %H:%M}\n"
        save(report, head + "\n".join(lines) + "\n", datetime.now())
        click.echo(f"{report}: written")
    if any(line.startswith("NO") for line in lines):
        raise SystemExit(1)


def _check(rig: Rig, names: list[str]) -> list[str]:
    from bridge.engine import soundcheck
    from bridge.ports import open_output
    from bridge.voltage.encode import Encoder

    encoder = Encoder(rig.wired)
    ports = {name: open_output(i.port, name) for name, i in rig.interfaces.items()}
    send = {name: port.send for name, port in ports.items()}
    found: list[str] = []
    try:
        for message in encoder.setup():
            send[message.port](message.data)
        for name in names:
            wired = rig.wired[name]
            click.echo(f"\n{soundcheck.describe(wired)}")
            loud, answer = False, "again"
            while answer in ("again", "louder"):
                loud = loud or answer == "louder"
                soundcheck.carry_out(wired, encoder, send, lambda ms: time.sleep(ms / 1e3), loud)
                answer = click.prompt(
                    "Heard or seen at the right place?",
                    type=click.Choice(["yes", "no", "skip", "again", "louder"]),
                )
            word = {"yes": "yes ", "no": "NO  ", "skip": "skip"}[answer]
            found.append(f"{word}  {name}  {wired.cable or '(no cable written down)'}")
    except (click.Abort, KeyboardInterrupt):
        # What was answered so far is worth its report.
        found += [f"open  {name}  not checked" for name in names[len(found) :]]
    finally:
        for message in encoder.panic():
            send[message.port](message.data)
        time.sleep(0.05)  # what was just sent must leave before the port closes
        for port in ports.values():
            port.close()
    return found


def _loop(rig: Rig, name: str, text: str) -> int:
    from bridge.engine.looptest import judge, mixture
    from bridge.ports import open_input, open_output

    interface = rig.interfaces[name]
    received: list[tuple[int, bytes]] = []
    source = open_input(text, lambda ns, data: received.append((ns, data)), "loop")
    port = open_output(interface.port, name)
    sent: list[tuple[int, bytes]] = []
    try:
        click.echo(f"{name}: sending 1000 messages to {port.name!r}, listening on {source.name!r}")
        for message in mixture():
            sent.append((time.monotonic_ns(), message))
            port.send(message)
            # As fast as a DIN cable carries them and no faster: 320 us a byte.
            time.sleep(0.00034 * len(message))
        time.sleep(0.3)
    finally:
        port.close()
        source.close()
    result = judge(sent, received)
    click.echo("\n".join(result.words()))
    return 0 if result.good else 1
