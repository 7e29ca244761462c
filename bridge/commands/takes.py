"""`lanebridge takes`: what was recorded, what to keep, and files made of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.commands import pictures, sounding
from bridge.errors import BridgeError

if TYPE_CHECKING:
    from bridge.files.take_folder import TakeFolder, TakeRow

FILE = click.Path(path_type=Path)
TAKE_HELP = "TAKE is its place in the list (1, or `last`, is the newest), its id or its name."


class TakesGroup(click.Group):
    """Alone it lists."""


@click.group(
    "takes",
    cls=TakesGroup,
    invoke_without_command=True,
    help=f"Every performance is recorded. Alone this lists them, the newest first.\n\n{TAKE_HELP}",
)
@click.pass_context
def command(context: click.Context) -> None:
    if context.invoked_subcommand is None:
        context.invoke(list_)


def folder_of_takes() -> TakeFolder:
    from bridge.files.take_folder import TakeFolder
    from bridge.supervisor.folders import state_folder

    return TakeFolder(state_folder())


@command.command("list", help="Lists all takes, the newest first.")
@click.option("--json", "as_json", is_flag=True, help="As one JSON list, for programs.")
def list_(as_json: bool = False) -> None:
    import json
    from dataclasses import asdict

    rows = folder_of_takes().rows()
    if as_json:
        click.echo(json.dumps([asdict(row) for row in rows], indent=2))
        return
    if not rows:
        click.echo("no takes yet; every performance is recorded from its start to its stop")
    for place, row in enumerate(rows, 1):
        click.echo(line_of(place, row))


def line_of(place: int, row: TakeRow) -> str:
    """``  1 * 2026-03-07 21:04  Low tide         12:08   361 bars  first light``."""
    star = "*" if row.starred else " "
    when = row.began[:16].replace("T", " ")
    if row.seconds is None:
        length = "goes on" if row.recording else "cut off"
        bars = ""
    else:
        minutes, seconds = divmod(round(row.seconds), 60)
        length, bars = f"{minutes}:{seconds:02}", f"{row.bars} bar{'' if row.bars == 1 else 's'}"
    lost = f"  {row.lost} rows lost" if row.lost else ""
    return (
        f"{place:3} {star} {when:16}  {row.set:20} {length:>8} {bars:>9}  {row.name}{lost}".rstrip()
    )


def _changed(change: Any) -> None:
    """Does something to a take; what the disk says against it is said."""
    from bridge.files.read import reason

    try:
        change()
    except OSError as error:
        raise BridgeError(f"the take cannot be changed: {reason(error)}") from error


@command.command("star", help=f"Stars a take, so that it is never dropped for room.\n\n{TAKE_HELP}")
@click.argument("take", default="last")
@click.option("--off", is_flag=True, help="Take the star away again.")
def star(take: str, off: bool) -> None:
    takes = folder_of_takes()
    path = takes.find(take)
    _changed(lambda: takes.star(path, not off))
    click.echo(f"{path.stem}: {'no star any more' if off else 'starred, it stays'}")


@command.command("name", help=f"Names a take; an empty NAME takes its name away.\n\n{TAKE_HELP}")
@click.argument("take")
@click.argument("name")
def name_(take: str, name: str) -> None:
    takes = folder_of_takes()
    path = takes.find(take)
    _changed(lambda: takes.rename(path, name))
    said = takes.note(path).name
    click.echo(f"{path.stem}: {f'named {said}' if said else 'has no name any more'}")


@command.command("remove", help=f"Removes takes for good.\n\n{TAKE_HELP}")
@click.argument("take", nargs=-1, required=True)
@click.option("--yes", is_flag=True, help="Do not ask, even where one is starred.")
def remove(take: tuple[str, ...], yes: bool) -> None:
    takes = folder_of_takes()
    paths = list(dict.fromkeys(takes.find(text) for text in take))
    for path in paths:
        starred = takes.note(path).starred
        if not yes:
            star_ = ", which is starred" if starred else ""
            click.confirm(f"remove {path.stem}{star_}?", abort=True)
        _changed(lambda path=path: takes.remove(path))
        click.echo(f"{path.stem}: removed")


@command.command(
    "replay",
    help=(
        "Plays a take again offline, with its set, its seed and its moves, and holds every message "
        "against the recording. A take that goes on from another file is played from the first on."
        f"\n\n{TAKE_HELP}"
    ),
)
@click.argument("take", default="last")
@click.pass_context
def replay(context: click.Context, take: str) -> None:
    from bridge.commands.progress import working
    from bridge.files.take import read
    from bridge.files.take_folder import refuse_recording
    from bridge.paper.take_again import compare, joined

    takes = folder_of_takes()
    path = takes.find(take)
    refuse_recording(path)
    files = takes.files(path)
    with working(f"playing {path.stem} again"):
        found = compare(joined([read(file) for file in files]))
    if found.same:
        click.echo(f"{path.stem}: {found.messages} messages, all the same and at the same time")
        return
    click.echo(
        f"{path.stem}: {found.messages} messages are the same, then the recording differs; "
        "the computer may have been too busy then, or an interface was away"
    )
    context.exit(1)


@command.command("export", help=f"Writes a take as a file.\n\n{TAKE_HELP}")
@click.argument("take", default="last")
@click.option(
    "--out",
    required=True,
    type=FILE,
    help=(
        "FILE.mid: what was sent, one track a lane; FILE.csv: hits and values; - prints those. "
        f"{sounding.HELP}"
    ),
)
@click.option("--moves", is_flag=True, help="What hands did, instead of hits and values (.csv).")
def export(take: str, out: Path, moves: bool) -> None:
    from bridge.commands import outfile
    from bridge.commands.progress import working
    from bridge.files.take import read
    from bridge.paper import take_midi, voices
    from bridge.paper.take_course import played

    kind = ".csv" if outfile.is_stdout(out) else out.suffix.lower()
    outfile.check_out(out, (".mid", ".midi", ".csv", ".wav"), (), prints=True)
    if kind == sounding.ENDING:
        sounding.insist()
    path = folder_of_takes().find(take)
    if moves and kind != ".csv":
        raise click.BadParameter("is for .csv", param_hint="--moves")
    with working(f"reading {path.stem}") as says:
        found = read(path)
        made = played(found)
        says(f"writing {out}")
        if kind == ".csv":
            outfile.write_out(out, (take_midi.moves if moves else take_midi.table)(found, made))
        elif kind != sounding.ENDING:
            outfile.write_out(out, take_midi.midi_file(found, made))
    if kind == sounding.ENDING:
        sounding.write(out, *voices.of_take(found, made.score))
    lost = f"; {found.lost} rows of it were lost" if found.lost else ""
    kinds = {".csv": "table of", ".wav": "simulated voices of"}
    what = kinds.get(kind, f"{len(found.ticks)} messages of")
    cut = "" if found.whole else "; it was not ended in good order, or still goes on"
    outfile.written(out, f"{what} {found.head['set']}{lost}{cut}")


@command.command("picture", help=f"Draws a take: its lanes over its bars.\n\n{TAKE_HELP}")
@click.argument("take", default="last")
@click.option("--out", type=FILE, help=f"{pictures.HELP}; TAKE.svg, unless told.")
@pictures.per_row
def picture(take: str, out: Path | None, per_row: int | None) -> None:
    from bridge.commands import outfile
    from bridge.commands.progress import working
    from bridge.files.take import read
    from bridge.paper import take_chart

    if out is not None:
        outfile.check_out(out, pictures.ENDINGS, ())
    takes = folder_of_takes()
    path = takes.find(take)
    if out is None:
        out = Path(f"{path.stem}.svg")
        outfile.check_out(out, pictures.ENDINGS, ())
    with working(f"reading {path.stem}") as says:
        chart = take_chart.chart_of(read(path), name=takes.note(path).name)
        says(f"drawing {out}")
        pictures.draw(out, chart, per_row)
