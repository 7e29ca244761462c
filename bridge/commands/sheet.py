"""`lanebridge sheet`: the patch sheet as one printable file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from bridge.errors import BridgeError

FILE = click.Path(path_type=Path)


@click.command("sheet")
@click.argument("rig", type=FILE)
@click.argument("set_file", metavar="SET", type=FILE)
@click.option("--out", type=FILE, required=True, help="The HTML file to write.")
@click.option(
    "--bars", default=2, show_default=True, type=click.IntRange(1, 16), help="Bars drawn per lane."
)
def command(rig: Path, set_file: Path, out: Path, bars: int) -> None:
    """Writes the patch sheet: everything needed to rebuild the rig, on paper."""
    if out.suffix.lower() not in (".html", ".htm"):
        raise click.BadParameter("must end in .html", param_hint="--out")
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.files.store import save
    from bridge.paper import tuned
    from bridge.paper.sheet import sheet_html

    loaded = load_rig(rig)
    document = load_set(set_file, loaded)
    page = sheet_html(loaded, document, datetime.now().date(), tuned.words(loaded), bars)
    try:
        copy = save(out, page, datetime.now())
    except OSError as error:
        raise BridgeError(f"{out}  cannot be written: {error.strerror or error}") from error
    click.echo(f"{out}: written. Open it in a browser and print it.")
    if copy is not None:
        click.echo(f"what was there is kept as {copy}")
