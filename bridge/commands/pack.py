"""`lanebridge pack`: a set with all that it needs, as one file to hand on."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

FILE = click.Path(path_type=Path)


@click.command(
    "pack",
    help=(
        "Puts SET, RIG, their profiles and the patch sheet into one file that "
        "`lanebridge open` plays on any computer."
    ),
)
@click.argument("rig", type=FILE)
@click.argument("set_file", metavar="SET", type=FILE)
@click.option("--out", type=FILE, required=True, help="The file to write: a .zip archive.")
@click.option("--tuning", is_flag=True, help="The tunings too; they fit these very modules only.")
@click.option(
    "--take", "takes", type=FILE, multiple=True, help="A recording to go along (may repeat)."
)
def command(rig: Path, set_file: Path, out: Path, tuning: bool, takes: tuple[Path, ...]) -> None:
    from bridge.commands import outfile, progress
    from bridge.errors import InputError, Problem
    from bridge.files import pack
    from bridge.files.read import read_input
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.paper import tuned
    from bridge.paper.sheet import sheet_html

    outfile.check_out(out, (pack.ENDING,), (rig, set_file, *takes))
    names = [take.name for take in takes]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError([Problem("two takes have this name", file=twice)])
    with progress.shown("Packing", 4) as done:
        loaded = load_rig(rig)
        document = load_set(set_file, loaded)
        done(1)
        said = tuned.words(loaded) if tuning else {}
        sheet = sheet_html(loaded, document, date.today(), said)
        done(2)
        recorded = {take.name: read_input(take, pack.MOST_TAKE_BYTES) for take in takes}
        made = pack.gather(loaded, document, sheet, tuning=tuning, takes=recorded)
        done(3)
        raw = pack.pack_bytes(made)
    outfile.write_out(out, raw)
    outfile.written(out, f"{document.spec.name} on {loaded.name}, {-(-len(raw) // 1024)} KiB")
    for name in made.members:
        click.echo(f"  {name}")
    if tuning and pack.TUNING not in made.members:
        click.echo(f"no tunings went along: no output of {loaded.name} is tuned")
