"""``install-service`` and ``remove-service``: starting at boot, under systemd.

Nothing is done unless ``--write`` says so: both show every file and every command first. The unit
is the one that ships, with this installation's own paths in it.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import click

from bridge.errors import BridgeError, InputError, MachineError, printable
from bridge.files.read import read_bytes

UNIT = "lanebridge.service"
SHIPPED_BIN = "/opt/lanebridge/bin/"
SHIPPED_SETS = "/var/lib/lanebridge/sets/"
SHIPPED_USER = "lanebridge"


@dataclass(frozen=True, slots=True)
class Plan:
    """What would be done: `files` by their place, and `commands` in their order."""

    files: dict[Path, bytes]
    commands: list[list[str]]


def shipped_unit() -> str:
    """The text of the unit: in the installed package, or in the source tree."""
    package = Path(__file__).parent.parent
    for place in (package / "shipped" / UNIT, package.parent / "systemd" / UNIT):
        if place.is_file():
            return place.read_text(encoding="utf-8")
    raise MachineError(f"{UNIT} did not come with this installation")


def unit_for(rig: str, set_file: str, user: str, binaries: Path, lan: bool) -> str:
    """The unit for an installation: rig and set by their names in the sets folder."""
    text = shipped_unit()
    text = text.replace(SHIPPED_BIN, f"{binaries}/")
    text = text.replace(f"{SHIPPED_SETS}rig.yaml", f"{SHIPPED_SETS}{rig}")
    text = text.replace(f"{SHIPPED_SETS}set.yaml", f"{SHIPPED_SETS}{set_file}")
    text = text.replace(f"User={SHIPPED_USER}\n", f"User={user}\n")
    if lan:
        lines = [f"{x} --lan" if x.startswith("ExecStart=") else x for x in text.splitlines()]
        text = "\n".join(lines) + "\n"
    return text


def plan(rig: Path, set_file: Path, user: str, root: Path, lan: bool) -> Plan:
    """Checks rig and set, and says what would be done. Raises InputError or BridgeError."""
    from bridge.files.document import MAX_BYTES
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set

    loaded = load_rig(rig)
    load_set(set_file, loaded)
    for path in (rig, set_file):
        if any(sign.isspace() or sign in "%$\"'\\" for sign in path.name):
            raise BridgeError(f"{printable(path.name)}  a name with such signs is not for a unit")
    binaries = Path(sys.executable).parent
    if binaries.is_relative_to("/home") or binaries.is_relative_to("/root"):
        raise BridgeError(
            f"{printable(str(binaries))}  is in a home folder, which the unit does not see; "
            "install into /opt/lanebridge first (systemd/README.md)"
        )
    sets = _under(root, SHIPPED_SETS)
    wanted = [rig, set_file, *beside(rig)]
    files = {sets / path.name: read_bytes(path, MAX_BYTES) for path in wanted}
    unit = unit_for(rig.name, set_file.name, user, binaries, lan)
    files[_under(root, f"/etc/systemd/system/{UNIT}")] = unit.encode()
    commands = [
        ["useradd", "--system", "--groups", "audio", "--home-dir", "/var/lib/lanebridge", user],
        ["chown", "-R", f"{user}:audio", "/var/lib/lanebridge"],
        ["systemctl", "daemon-reload"],
        ["systemctl", "enable", "--now", UNIT],
    ]
    return Plan(files, commands)


def beside(rig: Path) -> list[Path]:
    """What belongs to a rig and lies beside it: profiles of its own, and its tuning."""
    from bridge.files.rig import load_rig
    from bridge.files.tuning import tuning_path

    try:
        profiles = [one.profile.name for one in load_rig(rig).interfaces.values()]
    except InputError:
        profiles = []
    places = [rig.parent / f"{name}.yaml" for name in profiles] + [tuning_path(rig)]
    return [place for place in dict.fromkeys(places) if place.is_file()]


def _under(root: Path, place: str) -> Path:
    return root / place.lstrip("/")


def _run(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        said = printable(done.stderr.strip() or f"exit code {done.returncode}")
        raise MachineError(f"{' '.join(command)}: {said}")


def _user_is_there(user: str) -> bool:
    import pwd

    try:
        pwd.getpwnam(user)
    except KeyError:
        return False
    return True


def _refuse_no_folder(root: Path) -> None:
    try:
        there = root.is_dir()
    except OSError:  # such as a name that is too long
        there = False
    if not there:
        raise BridgeError(f"{printable(str(root))}  is not a folder")


@click.command(
    help=(
        "Starts RIG and SET at boot, under systemd.\n\n"
        "Shows every file and command; --write does it. Rig and set are copied to "
        "/var/lib/lanebridge/sets, where saving and tuning write."
    )
)
@click.argument("rig", type=click.Path(path_type=Path))
@click.argument("set_file", metavar="SET", type=click.Path(path_type=Path))
@click.option("--user", default=SHIPPED_USER, show_default=True, help="Who it runs as.")
@click.option("--lan", is_flag=True, help="Reachable from the network, with a token.")
@click.option("--write", is_flag=True, help="Do it, instead of only showing it.")
@click.option(
    "--root",
    default="/",
    type=click.Path(path_type=Path),
    help="Write below this folder, for an image; no command is run then.",
)
def command(rig: Path, set_file: Path, user: str, lan: bool, write: bool, root: Path) -> None:
    from bridge.files.document import MAX_BYTES
    from bridge.files.store import write_atomic

    _refuse_no_folder(root)
    made = plan(rig, set_file, user, root, lan)
    commands = made.commands if root == Path("/") else []
    if commands and _user_is_there(user):
        commands = commands[1:]
    if write and commands and shutil.which("systemctl") is None:
        raise MachineError("there is no systemctl here: nothing is written")
    if not write:
        for path, content in made.files.items():
            click.echo(f"would write {printable(str(path))} ({len(content)} bytes)")
            if path.name == UNIT:
                click.echo("".join(f"    {line}\n" for line in content.decode().splitlines()))
        for words in commands:
            click.echo(f"would run {' '.join(words)}")
        click.echo("nothing is written; --write does it")
        return
    for path, content in made.files.items():
        if path.exists() and path.name != UNIT and read_bytes(path, MAX_BYTES) != content:
            click.echo(f"{printable(str(path))} is there already and stays as it is")
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(path, content, mode=0o644)
        click.echo(f"wrote {printable(str(path))}")
    for words in commands:
        _run(words)
        click.echo(f"ran {' '.join(words)}")


@click.command(
    help=(
        "Stops starting at boot. Shows what it would do; --write does it.\n\n"
        "Rigs and sets in /var/lib/lanebridge stay."
    )
)
@click.option("--write", is_flag=True, help="Do it, instead of only showing it.")
@click.option(
    "--root",
    default="/",
    type=click.Path(path_type=Path),
    help="Remove below this folder; no command is run then.",
)
def remove(write: bool, root: Path) -> None:
    _refuse_no_folder(root)
    unit = _under(root, f"/etc/systemd/system/{UNIT}")
    if not unit.exists():
        raise BridgeError(f"{printable(str(unit))} is not there")
    steps: list[list[str]] = []
    if root == Path("/"):
        steps = [["systemctl", "disable", "--now", UNIT], ["systemctl", "daemon-reload"]]
    if not write:
        for words in steps:
            click.echo(f"would run {' '.join(words)}")
        click.echo(f"would remove {printable(str(unit))}")
        click.echo("nothing is removed; --write does it")
        return
    for words in steps[:1]:
        _run(words)
    unit.unlink()
    for words in steps[1:]:
        _run(words)
    click.echo(f"removed {printable(str(unit))}; rigs and sets in {SHIPPED_SETS} stay")
