"""`lanebridge open`: checks a pack, puts it into a folder of its own, and plays it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from bridge.commands.serving import Surface, serving

if TYPE_CHECKING:
    from bridge.files.pack import Pack
    from bridge.files.rig import Rig

FILE = click.Path(path_type=Path)


@click.command(
    "open",
    help=(
        "Plays a pack made by `lanebridge pack`: checks it, and puts it into a new folder. MIDI "
        "ports of its rig that are not here are simulated."
    ),
)
@click.argument("file", type=FILE)
@click.option("--into", type=FILE, help="The folder to make; named after the set, unless told.")
@click.option("--rig", type=FILE, help="Play it on this rig of yours instead (see `fit`).")
@click.option(
    "--put", "puts", multiple=True, metavar="OLD=NEW", help="With --rig: NEW in the place of OLD."
)
@click.option("--accept", is_flag=True, help="With --rig: take the outputs that are suggested.")
@click.option("--check", is_flag=True, help="Say what is in it, write and play nothing.")
@click.option("--start", is_flag=True, help="Play at once instead of waiting for a start.")
@serving
def command(
    file: Path,
    into: Path | None,
    rig: Path | None,
    puts: tuple[str, ...],
    accept: bool,
    check: bool,
    start: bool,
    surface: Surface,
) -> None:
    from bridge.commands.progress import working
    from bridge.files import pack
    from bridge.files.read import read_input
    from bridge.files.zip_guard import MOST_BYTES

    with working(f"reading {file.name}"):
        read = pack.read_pack(read_input(file, MOST_BYTES), file.name)
    if check:
        _check(read, file.name)
        return
    if rig is None and (puts or accept):
        raise click.UsageError("--put and --accept belong to --rig")
    if rig is not None and into is not None:
        raise click.UsageError(
            "--into makes a folder with the pack's own rig; write one of the two"
        )
    if rig is None:
        rig = put(read, into or Path(pack.plain_name(read.set_name)), file.name)
        set_file = rig.with_name(pack.SET)
    else:
        set_file = _on_own_rig(read, rig, puts, accept, file.name)
    surface.play(rig, set_file, start=start)


def _check(read: Pack, name: str) -> None:
    from tempfile import TemporaryDirectory

    from bridge.files import pack

    with TemporaryDirectory(prefix="lanebridge-") as folder:
        rig, document = pack.unpack(read, Path(folder, "pack"), name)
        click.echo(f"{read.set_name}, for {read.rig_name}: everything in it is good")
        for member, content in read.members.items():
            click.echo(f"  {member}  {len(content)} bytes")
        lanes = len(document.spec.lanes)
        click.echo(f"{lanes} lane{'' if lanes == 1 else 's'}, {len(rig.wired)} outputs")
        for line in _missing(rig).values():
            click.echo(line)


def _on_own_rig(read: Pack, rig: Path, puts: tuple[str, ...], accept: bool, name: str) -> Path:
    """Writes the set beside a rig that it was not made for.

    Raises:
        BridgeError: an output is still open, or another set is there under its name.
    """
    from tempfile import TemporaryDirectory

    from bridge.commands.fit import asked, said_of
    from bridge.commands.outfile import write_out
    from bridge.errors import BridgeError
    from bridge.files import fitting, pack
    from bridge.files.document import read_text
    from bridge.files.rig import load_rig
    from bridge.files.set import parse_set

    own = load_rig(rig)
    with TemporaryDirectory(prefix="lanebridge-") as folder:
        source, document = pack.unpack(read, Path(folder, "pack"), name)
    found = asked(document, own, said_of(puts), source, accept=accept)
    if any(fit.open for fit in found):
        raise BridgeError("say where the others go: --put OLD=NEW, or --accept what is suggested")
    text = fitting.fitted(document, found)
    set_file = rig.with_name(f"{pack.plain_name(read.set_name)}.yaml")
    parse_set(text, set_file.name, own)
    if set_file.exists() and read_text(set_file) != text:
        raise BridgeError(f"{set_file}  is there already; move it away, or open it with `play`")
    write_out(set_file, text)
    click.echo(f"{set_file}: {read.set_name}, for {own.name}")
    return set_file


def put(read: Pack, folder: Path, name: str) -> Path:
    """Puts a pack into a new folder, with what is missing here simulated; says what it does.

    Returns:
        The rig file to play with.

    Raises:
        BridgeError: the folder is there with something else in it, or the pack is wrong.
    """
    from bridge.commands.progress import working
    from bridge.errors import BridgeError
    from bridge.files import pack
    from bridge.files.read import reason

    if folder.exists():
        if not _same(read, folder):
            raise BridgeError(f"{folder}  is there already; name another folder with --into")
        click.echo(f"{folder}: is there already, from this pack; played as it stands there")
        return folder / pack.RIG
    try:
        with working(f"putting it into {folder}"):
            rig, _ = pack.unpack(read, folder, name)
        click.echo(f"{folder}: {read.set_name}, for {read.rig_name}")
        _simulate(rig, folder / pack.RIG)
    except OSError as error:
        raise BridgeError(f"{folder}  cannot be made: {reason(error)}") from error
    return folder / pack.RIG


def _same(read: Pack, folder: Path) -> bool:
    """Whether a folder was made of this very pack (its set and rig may have been edited since)."""
    from bridge.files import pack, store
    from bridge.files.read import read_bytes

    for name in (pack.RIG, pack.SET):
        wanted = read.members[name]
        versions = [folder / name, *store.backups(folder / name)]
        try:
            if not any(read_bytes(path, store.MOST_KEPT_BYTES) == wanted for path in versions):
                return False
        except OSError:
            return False
    return True


def _missing(rig: Rig) -> dict[tuple[str, ...], str]:
    """The keys of ports that are not on this computer, each with a line that says so."""
    from bridge.errors import PortError
    from bridge.ports import list_ports
    from bridge.ports.port import find

    there = list_ports()
    found: dict[tuple[str, ...], str] = {}
    wanted: list[tuple[tuple[str, ...], str, Literal["out", "in"], str]] = [
        (("interfaces", x.name, "port"), x.port, "out", x.name) for x in rig.interfaces.values()
    ]
    wanted.append((("clock", "follow"), rig.clock.follow, "in", "clock"))
    for keys, port, way, who in wanted:
        if port in ("simulated", "internal") or port.startswith("virtual:"):
            continue
        words, instead = ("output", "simulated") if way == "out" else ("input", "internal")
        try:
            find(port, [p.name for p in there if p.way == way], words)
        except PortError as error:
            found[keys] = f"{who}: {error}; here it is {instead}"
    return found


def _simulate(rig: Rig, file: Path) -> None:
    from bridge.files import edit, store

    missing = _missing(rig)
    if not missing:
        return
    for line in missing.values():
        click.echo(line)
    changes = [
        edit.Change(keys, "internal" if keys[0] == "clock" else "simulated") for keys in missing
    ]
    store.save(file, edit.apply(rig.text, changes), datetime.now())
    click.echo(f"{file}: name your own ports there; `lanebridge history` has it as it came")
