"""What `lanebridge tune` says of a tuning and does with it, typed or heard."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.files.rig import Rig
    from bridge.voltage.least_squares import Fit, Reading
    from bridge.voltage.profile import Output, WiredOutput

WIDTH = 48
TOLD_CENTS = 0.5  # a note that stays off by less is not worth a word


def now() -> str:
    return datetime.now().isoformat(timespec="seconds")


def ask_keep(result: Fit, yes: bool) -> bool:
    """Whether the tuning is kept. With doubts it is not kept unless a person says so."""
    if yes:
        if result.doubts:
            click.echo("--yes keeps only what raises no doubt: see the warnings")
        return not result.doubts
    return click.confirm("Keep this tuning?", default=not result.doubts)


def write_tuning(rig: Rig, wired: WiredOutput, result: Fit, taken: Sequence[Reading]) -> None:
    """Keeps a tuning beside the rig and says where."""
    from bridge.commands.outfile import cannot_write
    from bridge.files import tuning
    from bridge.files.read import reason

    assert rig.path is not None
    kept = tuning.tuned(result, taken, rig.interfaces[wired.port].profile.name)
    try:
        path = tuning.save_tuning(rig.path, wired.name, kept, datetime.now())
    except OSError as error:
        raise cannot_write(tuning.tuning_path(rig.path), reason(error)) from error
    click.echo(f"{path}: written; `lanebridge tune {rig.path} {wired.name} --undo` takes it back")


def plotted(
    plot: Path,
    title: str,
    wired: WiredOutput,
    result: Fit,
    taken: Sequence[Reading],
    checked: Sequence[tuple[float, float]] = (),
) -> None:
    """Draws the errors before and after into an SVG file and says where."""
    from bridge.commands.outfile import write_out, written
    from bridge.files.tuning import told
    from bridge.paper.residual_plot import drawing

    write_out(plot, drawing(title, told(wired.output, result, taken), checked))
    written(plot, "the errors before and after")


def report(out: Output, result: Fit, readings: Sequence[Reading]) -> str:
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
        for cents, mark in ((row["before"], "o"), (row["after"], "x")):
            value = min(max(cents / reach, -1.0), 1.0)
            bar[round((value + 1.0) * WIDTH / 2)] = mark
        note = "  left out" if row["left_out"] else ""
        note = "  cannot be reached" if abs(row["missed"]) >= TOLD_CENTS else note
        lines.append(
            f"{row['name']:>5} {row['before']:+9.2f} {row['after']:+8.2f}   {''.join(bar)}{note}"
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
