"""`lanebridge form`: how a set goes over its running order."""

from __future__ import annotations

from pathlib import Path

import click

FILE = click.Path(path_type=Path)


@click.command(
    "form",
    help="Shows how SET goes over its running order: what is new, what repeats, what never sounds.",
)
@click.argument("rig", type=FILE)
@click.argument("set_file", metavar="SET", type=FILE)
@click.option("--out", type=FILE, help="FILE.svg, to draw it as well.")
@click.option(
    "--bars",
    type=click.IntRange(1, 256),
    help="How long each section lasts where SET has no running order.",
)
def command(rig: Path, set_file: Path, out: Path | None, bars: int | None) -> None:
    from bridge.commands.outfile import check_out, write_out
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.paper import form_chart
    from bridge.paper.form import form_of

    if out is not None:
        check_out(out, (".svg",), (rig, set_file))
    wired = load_rig(rig)
    spec = load_set(set_file, wired).spec
    if bars is not None and spec.order:
        raise click.BadParameter("the set has a running order", param_hint="--bars")
    form = form_of(spec, wired, bars)
    for line in form_chart.lines(form):
        click.echo(line)
    if out is not None:
        write_out(out, form_chart.draw(form))
        click.echo(f"{out}: drawn")
