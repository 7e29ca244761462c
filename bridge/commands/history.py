"""`lanebridge history` and `lanebridge diff`: what was saved before, and what differs."""

from __future__ import annotations

from pathlib import Path

import click

FILE = click.Path(path_type=Path)


@click.command(
    "history",
    help=(
        "Lists the saved moments of FILE (a set, rig, tuning, soundcheck or sheet), the newest "
        "first, with what each save changed."
    ),
)
@click.argument("file", type=FILE)
@click.option("--show", metavar="MOMENT", help="Print FILE as it was: 1 is the newest moment.")
@click.option("--back", metavar="MOMENT", help="Bring that back; what is there now is kept.")
def command(file: Path, show: str | None, back: str | None) -> None:
    from bridge.files.read import read_input
    from bridge.files.store import MOST_KEPT_BYTES
    from bridge.paper import moments

    if not moments.exist(file):
        read_input(file, MOST_KEPT_BYTES)  # says what is wrong with the name
    if show is not None and back is not None:
        raise click.UsageError("write either --show or --back")
    which = show or back
    if which is None:
        _list(file)
        return
    moment = moments.find(file, which)
    content = read_input(moment.copy, MOST_KEPT_BYTES)
    if show is not None:
        click.echo(content, nl=False)
        return
    from bridge.commands.outfile import save_out

    there = file.exists()
    copy = save_out(file, content)
    if copy is None and not there:
        click.echo(f"{file}: there again, as it was until {moment.until:%Y-%m-%d %H:%M:%S}")
        return
    if copy is None:
        click.echo(f"{file}: is as it was until {moment.until:%Y-%m-%d %H:%M:%S} already")
        return
    click.echo(f"{file}: as it was until {moment.until:%Y-%m-%d %H:%M:%S}")
    click.echo(
        f"what was there is kept as {copy}; `lanebridge history {file} --back 1` undoes this"
    )


def _list(file: Path) -> None:
    from bridge.errors import printable
    from bridge.paper import moments

    rows = moments.told(file)
    if not rows:
        click.echo(f"{file}: no saved moments yet; a save over another version makes one")
    for number, (moment, changes) in enumerate(rows, 1):
        click.echo(f"{number:>3}  until {moment.until:%Y-%m-%d %H:%M:%S}; what that save changed:")
        for line in changes or ("comments or layout only",):
            click.echo(f"       {printable(line)}")


@click.command(
    "diff",
    help=(
        "Says in words what differs between two versions of a set, rig, tuning, soundcheck or "
        "sheet. FILE@1 is the newest saved moment of FILE; without B, A is compared with that."
    ),
)
@click.argument("a", metavar="A")
@click.argument("b", metavar="B", required=False)
def diff(a: str, b: str | None) -> None:
    from bridge.errors import printable
    from bridge.paper.differences import between

    if b is None:
        a, b = f"{a}@1", a
    (before, _), (after, path) = _version(a), _version(b)
    lines = between(before, after, path.parent)
    for line in lines or ("they say the same" if before != after else "they are the same",):
        click.echo(printable(line))


def _version(name: str) -> tuple[bytes, Path]:
    """The content of ``FILE`` or ``FILE@MOMENT``, and the file's path."""
    from bridge.files.read import read_input
    from bridge.files.store import MOST_KEPT_BYTES
    from bridge.paper import moments

    path = Path(name)
    head, mark, which = name.rpartition("@")
    if mark and head and not path.exists():
        path = Path(head)
        return read_input(moments.find(path, which).copy, MOST_KEPT_BYTES), path
    return read_input(path, MOST_KEPT_BYTES), path
