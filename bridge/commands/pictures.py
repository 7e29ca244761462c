"""Writes charts as pictures: for the commands that draw one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from bridge.paper.chart import Chart

ENDINGS = (".svg", ".html", ".pdf", ".png")
HELP = "FILE.svg, .html or .pdf (A4 pages), or .png (one tall picture, needs the extra `picture`)"
PNG_WIDTH = 2480
"""Pixels: 212 to the inch on A4."""

per_row: Callable[[Any], Any] = click.option(
    "--row",
    "per_row",
    type=click.IntRange(1, 4096),
    help="Bars in one row; by itself it takes what four pages have room for.",
)


def draw(out: Path, chart: Chart, per_row: int | None) -> None:
    """Writes a chart whole or not at all, in the kind that the name of the file says, and says so.

    Raises:
        MachineError: the kind needs something that is not installed, or the file cannot be written.
    """
    from bridge.commands import outfile
    from bridge.paper import chart_pages

    kind = out.suffix.lower()
    data: str | bytes
    if kind == ".svg":
        data = chart_pages.draw(chart, per_row)
    elif kind == ".png":
        data = _png(chart_pages.draw(chart, per_row))
    else:
        data = chart_pages.printed(chart, per_row)
        if kind == ".pdf":
            from bridge.commands.pdf import pdf_of

            data = pdf_of(data)
    outfile.write_out(out, data)
    outfile.written(out, f"{chart.bars} bar{'' if chart.bars == 1 else 's'} drawn")


def _png(picture: str) -> bytes:
    from bridge.errors import MachineError

    try:
        import cairosvg
    except (ImportError, OSError):  # the library in Python, or the one in C below it
        raise MachineError(
            "a PNG needs the library cairosvg and the system's cairo: "
            "pip install 'lanebridge[picture]', or write an .svg file"
        ) from None
    made = cairosvg.svg2png(bytestring=picture.encode(), output_width=PNG_WIDTH)
    return bytes(made)
