"""Tables of commands: fitted to a terminal, and plain lines wherever else they go.

What is printed into a pipe or a file stays as it is from release to release, whatever the width of
a terminal; NO_COLOR (no-color.org) is heeded by the library that draws.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import click

from bridge.errors import printable

INDENT = 2
"""Room that is left for what stands before each line."""


def lines(heads: Sequence[str], rows: Sequence[Sequence[str]], *, headed: bool) -> list[str]:
    """A table as lines.

    Args:
        heads: what the columns are called.
        rows: as many cells in each; what a terminal could take for a command is spelt out.
        headed: whether lines that are not for a terminal begin with the heads as well.
    """
    cells = [[printable(cell) for cell in row] for row in rows]
    if sys.stdout.isatty():
        return _fitted(heads, cells)
    told = [*([list(heads)] if headed else []), *cells]
    widths = [max(map(len, column)) for column in zip(*told, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in told
    ]


def show(heads: Sequence[str], rows: Sequence[Sequence[str]], indent: str = "") -> None:
    """Prints a table; the heads are for a terminal alone.

    Args:
        heads: what the columns are called.
        rows: as many cells in each.
        indent: stands before each line; a terminal has room for `INDENT` letters.
    """
    for line in lines(heads, rows, headed=False):
        click.echo(indent + line)


def _fitted(heads: Sequence[str], rows: list[list[str]]) -> list[str]:
    """As wide as the terminal at most; a cell takes several lines where it must."""
    # Loaded for terminals only: the library takes longer to load than most commands take to run.
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold")
    for at, head in enumerate(heads):
        # Names stay in one piece as long as there is room for anything.
        table.add_column(head, overflow="fold", no_wrap=at == 0)
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))  # as it stands: brackets are no markup
    console = Console(file=sys.stdout)
    console.width -= INDENT
    with console.capture() as drawn:
        console.print(table)
    return drawn.get().splitlines()
