"""`lanebridge form`: how a set goes over its running order."""

from __future__ import annotations

from pathlib import Path

import click

from bridge.commands import pictures

FILE = click.Path(path_type=Path)


@click.command(
    "form",
    help="Shows how SET goes over its running order: what is new, what repeats, what never sounds.",
)
@click.argument("rig", type=FILE)
@click.argument("set_file", metavar="SET", type=FILE)
@click.option("--out", type=FILE, help=f"Draw it as well: {pictures.HELP}.")
@pictures.per_row
@click.option(
    "--bars",
    type=click.IntRange(1, 256),
    help="How long each section lasts where SET has no running order.",
)
def command(
    rig: Path, set_file: Path, out: Path | None, bars: int | None, per_row: int | None
) -> None:
    from bridge.commands.outfile import check_out
    from bridge.commands.progress import working
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.paper import form_chart
    from bridge.paper.form import form_of

    if out is not None:
        check_out(out, pictures.ENDINGS, (rig, set_file))
    wired = load_rig(rig)
    spec = load_set(set_file, wired).spec
    if bars is not None and spec.order:
        raise click.BadParameter("the set has a running order", param_hint="--bars")
    with working(f"playing {spec.name}") as says:
        form = form_of(spec, wired, bars, lambda bar: says(f"playing {spec.name}: bar {bar}"))
    for line in form_chart.lines(form):
        click.echo(line)
    if out is not None:
        with working(f"drawing {out}"):
            pictures.draw(out, form_chart.chart_of(form), per_row)
