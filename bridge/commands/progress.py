"""Something to look at while a command works for more than a moment.

On standard error and only where that is a terminal, so that what is piped on stays clean. Ctrl-C
ends the work: files are written whole or not at all (`bridge.commands.outfile`).
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

import click


@contextlib.contextmanager
def working(text: str) -> Iterator[Callable[[str], None]]:
    """Shows what is being done; call what it gives to say what comes next. Ctrl-C says so and ends
    the command with exit code 1."""
    from rich.console import Console

    console = Console(stderr=True)
    try:
        with console.status(text) as status:
            yield status.update
    except KeyboardInterrupt:
        raise click.Abort from None
