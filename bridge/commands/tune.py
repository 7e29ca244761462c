"""`lanebridge tune`: measure a pitch output, keep its correction beside the rig."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.files.rig import Rig
    from bridge.voltage.fit import Fit, Reading
    from bridge.voltage.profile import Output, WiredOutput

FILE = click.Path(path_type=Path)
WIDTH = 48
HELP = """\
Let everything warm up for a quarter of an hour first. Turn monitors down: test tones are loud.
For each note, type what you measure: volts (2.003 V), a frequency (130.9 Hz), or a note and cents
(C3 +2). Enter alone skips a note, `back` returns to the last one, `done` ends early."""


@click.command("tune")
@click.argument("rig", type=FILE)
@click.argument("output")
@click.option(
    "--readings", type=FILE, help="Take the readings from a file: one `NOTE READING` a line."
)
@click.option("--undo", is_flag=True, help="Bring back what the output had before its last tuning.")
@click.option(
    "--every",
    default=6,
    show_default=True,
    type=click.IntRange(1, 24),
    metavar="SEMITONES",
    help="Distance of the notes to measure.",
)
@click.option("--yes", is_flag=True, help="Keep the result without asking.")
def command(
    rig: Path, output: str, readings: Path | None, undo: bool, every: int, yes: bool
) -> None:
    """Tunes the pitch OUTPUT of RIG from readings of a meter or a tuner."""
    from bridge.errors import InputError, Problem
    from bridge.files import tuning
    from bridge.files.rig import load_rig
    from bridge.files.strict import near
    from bridge.voltage.fit import fit

    loaded = load_rig(rig)
    wired = loaded.wired.get(output)
    pitches = [name for name, w in loaded.wired.items() if w.output.kind == "pitch"]
    if wired is None or wired.output.kind != "pitch":
        said = "is not a pitch output" if wired else "there is no such output"
        said += near(output, pitches).rstrip("?")
        raise InputError(
            [Problem(f"{said}; pitch outputs: {', '.join(pitches) or 'none'}", output, str(rig))]
        )
    if undo:
        before = tuning.undo_tuning(rig, output, datetime.now())
        said = f"as of {before.correction.made}" if before else "untuned"
        click.echo(f"{output} is {said} again")
        return
    if readings is not None:
        taken = tuning.read_readings(readings, wired.output)
    else:
        click.echo(HELP)
        taken = _ask(loaded, wired, tuning.ladder(wired.output, every))
    made = datetime.now().isoformat(timespec="seconds")
    result = fit(wired.output, taken, made)
    click.echo(report(wired.output, result, taken))
    if not yes and not click.confirm("Keep this tuning?", default=True):
        click.echo("nothing was changed")
        return
    profile = loaded.interfaces[wired.port].profile.name
    path = tuning.save_tuning(rig, output, tuning.tuned(result, taken, profile), datetime.now())
    click.echo(f"{path}: written; `lanebridge tune {rig} {output} --undo` takes it back")


def _ask(rig: Rig, wired: WiredOutput, notes: list[int]) -> list[Reading]:
    from bridge.files.tuning import is_relative, parse_reading, same_octave
    from bridge.music.scale import note_name
    from bridge.voltage.fit import Reading, asked_volts

    out = wired.output
    found: dict[int, tuple[str, float]] = {}
    with _sounding(rig, wired) as sound:
        place = 0
        while place < len(notes):
            note = notes[place]
            sound(note)
            text = click.prompt(f"{note_name(note):>4}", default="", show_default=False).strip()
            if text == "done":
                break
            if text == "back":
                place = max(0, place - 1)
                continue
            if text:
                try:
                    volts = parse_reading(out, text)
                except ValueError as error:
                    click.echo(f"  {error}")
                    continue
                others = {is_relative(other) for n, (other, _) in found.items() if n != note}
                if others - {is_relative(text)}:
                    click.echo("  take all readings the same way: volts, or frequencies and notes")
                    continue
                found[note] = (text, volts)
            else:
                found.pop(note, None)
            place += 1
    readings = [
        Reading(asked_volts(out, note), volts) for note, (_, volts) in sorted(found.items())
    ]
    if found and is_relative(next(iter(found.values()))[0]):
        readings, octaves = same_octave(out, readings)
        if octaves:
            click.echo(f"the oscillator is set {octaves:+d} octaves away; only its cents count")
    return readings


@contextlib.contextmanager
def _sounding(rig: Rig, wired: WiredOutput) -> Iterator[Callable[[int], None]]:
    """Gives a function that sounds a note without any correction; everything rests afterwards."""
    from bridge.engine.soundcheck import QUIET, gate_of
    from bridge.ports import open_output
    from bridge.voltage.encode import Encoder, Message

    encoder = Encoder(rig.wired)
    gate = gate_of(wired, rig.wired)
    port = open_output(rig.interfaces[wired.port].port, wired.port)

    def send(messages: list[Message]) -> None:
        for message in messages:
            if message.port == wired.port:
                port.send(message.data)

    def sound(note: int) -> None:
        if gate is not None:
            send(encoder.gate_off(gate))
        send(encoder.pitch(wired.name, float(note)))
        if gate is not None:
            send(encoder.gate_on(gate, QUIET))

    try:
        send(encoder.setup())
        yield sound
    finally:
        send(encoder.panic())
        time.sleep(0.05)  # what was just sent must leave before the port closes
        port.close()


def report(out: Output, result: Fit, readings: list[Reading]) -> str:
    """A table of the readings with their error before and after, drawn, and the warnings."""
    from bridge.files.tuning import told

    rows = told(out, result, readings)
    reach = max(10.0, *(abs(row["before"]) for row in rows)) if rows else 10.0
    lines = [
        f"{'note':>5} {'before':>9} {'after':>8}   {-reach:.0f} cents".ljust(40)
        + f"0{'':>{WIDTH // 2 - 12}}{reach:+.0f}"
    ]
    for row in rows:
        bar = [" "] * (WIDTH + 1)
        bar[WIDTH // 2] = "|"
        for key, mark in (("before", "o"), ("after", "x")):
            value = min(max(row[key] / reach, -1.0), 1.0)
            bar[round((value + 1.0) * WIDTH / 2)] = mark
        left_out = "  left out" if row["left_out"] else ""
        lines.append(
            f"{row['name']:>5} {row['before']:+9.2f} {row['after']:+8.2f}"
            f"   {''.join(bar)}{left_out}"
        )
    correction = result.correction
    lines += [
        f"o before: worst {result.worst(result.before):.2f} cents; "
        f"x after: worst {result.worst(result.after):.2f} cents",
        f"offset {correction.offset_volts * 1000:+.2f} mV, gain {correction.gain:.6f}, "
        f"{len(correction.table)} points in the table",
        *(f"warning: {warning}" for warning in result.warnings),
    ]
    return "\n".join(lines)
