"""How far long work is, shown where a person watches: a bar or a line on a terminal, nothing
elsewhere.

It stands on standard error and is gone when the work is done, so that output that is piped on holds
nothing of it. Ctrl-C ends the work; files are written whole or not at all
(`bridge.commands.outfile`).
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Done = Callable[[int], None]
"""Told how much is done."""


@contextmanager
def working(text: str) -> Iterator[Callable[[str], None]]:
    """Shows what is being done; call what it gives to say what comes next. Ctrl-C ends the command
    as anywhere."""
    if not sys.stderr.isatty():
        yield lambda said: None
        return
    from rich.console import Console

    with Console(stderr=True).status(text) as status:
        yield status.update


@contextmanager
def shown(what: str, total: int) -> Iterator[Done]:
    """A bar for as long as the block runs.

    Args:
        what: what is being done, such as ``Rendering``.
        total: how much there is to do.

    Yields:
        What to call with how much of it is done.
    """
    if not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)
        last = 0

        def told(done: int) -> None:
            nonlocal last
            if done != last:  # it may be told at every step of the work
                last = done
                bar.update(task, completed=done)

        yield told
