"""`lanebridge sheet`: the patch sheet as one printable file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

FILE = click.Path(path_type=Path)


@click.command(
    "sheet", help="Writes the patch sheet: everything needed to rebuild the rig, on paper."
)
@click.argument("rig", type=FILE)
@click.argument("set_file", metavar="SET", type=FILE)
@click.option(
    "--out", type=FILE, required=True, help="The file to write: .html or .pdf; - prints the HTML."
)
@click.option(
    "--bars", default=2, show_default=True, type=click.IntRange(1, 16), help="Bars drawn per lane."
)
def command(rig: Path, set_file: Path, out: Path, bars: int) -> None:
    from bridge.commands import outfile
    from bridge.commands.outfile import check_out, save_out
    from bridge.commands.pdf import pdf_of
    from bridge.commands.progress import working
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.paper import tuned
    from bridge.paper.sheet import sheet_html

    check_out(out, (".html", ".htm", ".pdf"), (rig, set_file), prints=True)
    loaded = load_rig(rig)
    document = load_set(set_file, loaded)
    printed = out.suffix.lower() == ".pdf"
    with working(f"drawing {document.spec.name}") as says:
        page = sheet_html(loaded, document, datetime.now().date(), tuned.words(loaded), bars)
        says(f"writing {out}")
        copy = save_out(out, pdf_of(page) if printed else page)
    outfile.written(
        out, f"written. {'Print it.' if printed else 'Open it in a browser and print it.'}"
    )
    if copy is not None:
        click.echo(f"what was there is kept as {copy}")
