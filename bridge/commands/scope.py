"""`lanebridge scope`: volts over time at every output, as a picture."""

from __future__ import annotations

import tempfile
from pathlib import Path

import click

FILE = click.Path(path_type=Path)


@click.command(
    "scope", help="Draws what RIG would put out while SET plays, decoded from the MIDI that leaves."
)
@click.argument("rig", type=FILE)
@click.argument("set_file", metavar="SET", type=FILE)
@click.option("--bars", default=2, show_default=True, type=click.IntRange(1, 64), help="How long.")
@click.option("--out", type=FILE, required=True, help="FILE.svg or FILE.png")
@click.option("--idle", is_flag=True, help="Outputs that never move are drawn too.")
def command(rig: Path, set_file: Path, bars: int, out: Path, idle: bool) -> None:
    from bridge.commands.outfile import check_out, write_out
    from bridge.commands.progress import working
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.music.model import TICKS_PER_QUARTER
    from bridge.music.score import compile_score
    from bridge.paper import scope_plot
    from bridge.player.offline import perform_rig

    check_out(out, (".svg", ".png"), (rig, set_file))
    wired = load_rig(rig)
    spec = load_set(set_file, wired).spec
    with working(f"playing {spec.name}") as says:
        performed = perform_rig(wired, compile_score(spec, wired.ranges), bars, clock=True)
        end = bars * spec.bar_ticks * 60.0 / (spec.tempo * TICKS_PER_QUARTER)
        lead = -min((sent.ns for sent in performed.sent), default=0)
        sent = [(s.ns + lead, s.port, s.data) for s in performed.sent if s.ns < end * 1e9]
        found = scope_plot.traces(wired.wired, sent)
        marks = [lead / 1e9 + end * bar / bars for bar in range(bars + 1)]
        says(f"drawing {out}")
        with tempfile.TemporaryDirectory() as folder:
            drawing = Path(folder) / f"drawing{out.suffix.lower()}"
            title = f"{spec.name} on {wired.name}"
            drawn = scope_plot.draw(wired.wired, found, drawing, title, marks, idle)
            write_out(out, drawing.read_bytes())
    click.echo(f"{out}: {bars} bars, {len(drawn)} outputs")
