"""Every command with every kind of path that a shell, a typing slip or a full disk can give it.

What is asked of each: it ends by itself, in bounded memory, with exit code 1 (or 2 where the name
alone is wrong), one plain message that names the path, and no file changed. The paths that a command
takes are read out of the command line itself, so that a new command is tried as well.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import mido
import pytest
from click.testing import CliRunner, Result
from support.bounds import MEMORY_BYTES, bounded

from bridge.cli import main
from bridge.errors import Exit

DEMO = Path(__file__).parents[2] / "bridge" / "demo"
PACK = Path(__file__).parents[1] / "files" / "packs" / "version-1.zip"
HUGE_BYTES = 3 * MEMORY_BYTES  # more than may be used

# A good command line for each command that takes files; FOLDER is where they are.
# A path that another line tries already begins with AGAIN. (`open` has two ways, which exclude each
# other.)
GOOD = {
    "align": "FOLDER/rig.yaml --listen quay",
    "fit": "FOLDER/rig.yaml FOLDER/set.yaml --from FOLDER/rig.yaml --out FOLDER/new.yaml",
    "history": "FOLDER/set.yaml",
    "open": "FOLDER/pack.zip --rig FOLDER/rig.yaml",
    "open --into": "FOLDER/new AGAIN/pack.zip",
    "pack": "FOLDER/rig.yaml FOLDER/set.yaml --out FOLDER/new.zip --take FOLDER/readings.txt",
    "takes export": "--out FOLDER/new.csv",
    "takes picture": "--out FOLDER/new.svg",
    "check": "FOLDER/rig.yaml FOLDER/set.yaml",
    "clockcheck": "FOLDER/rig.yaml",
    "doctor": "FOLDER/rig.yaml FOLDER/set.yaml --address 127.0.0.1:9 --bundle FOLDER/new.zip",
    "install-service": "FOLDER/rig.yaml FOLDER/set.yaml --root FOLDER",
    "remove-service": "--root FOLDER",
    "import": "FOLDER/beat.mid --out FOLDER/new.yaml",
    "play": "FOLDER/rig.yaml FOLDER/set.yaml",
    "profile check": "FOLDER/mine.yaml",
    "ctl pair": "--picture FOLDER/new.svg",
    "init": "FOLDER",
    "profile list": "--rig-folder FOLDER",
    "profile show": "eight-gates-four-cv --rig-folder FOLDER",
    "profile new": "--folder FOLDER",
    "man": "--out FOLDER/new.1",
    "form": "FOLDER/rig.yaml FOLDER/set.yaml --out FOLDER/new.svg",
    "render": "FOLDER/rig.yaml FOLDER/set.yaml --bars 1 --out FOLDER/new.mid",
    "scope": "FOLDER/rig.yaml FOLDER/set.yaml --out FOLDER/new.svg",
    "sheet": "FOLDER/rig.yaml FOLDER/set.yaml --out FOLDER/new.html",
    "soundcheck": "FOLDER/rig.yaml FOLDER/set.yaml --listen quay --report FOLDER/new.txt",
    "tune": "FOLDER/rig.yaml main.pitch-1 --readings FOLDER/readings.txt --plot FOLDER/new.svg",
}
WRITES = {"--out", "--report", "--bundle", "--picture", "--plot", "--into"}
FOLDERS = {"--rig-folder", "--folder", "--root"}


def taking_files(
    group: click.Group = main, before: str = ""
) -> Iterator[tuple[str, click.Parameter]]:
    """Every parameter of every command that is a path."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from taking_files(command, f"{name} ")
        elif command is not None:
            for parameter in command.params:
                if isinstance(parameter.type, click.Path):
                    yield before + name, parameter


def places() -> Iterator[tuple[str, int, str]]:
    """Command, position of one path among its words, and the option in front of it ("" for none).

    Raises:
        AssertionError: a command takes a path that `GOOD` does not try.
    """
    expected = sorted(name for name, _ in taking_files())
    found = []
    for command, line in GOOD.items():
        words = line.split()
        for at, word in enumerate(words):
            if "FOLDER" in word:
                before = words[at - 1] if at else command.split()[-1]
                option = before if before.startswith("--") else ""
                found.append(command.removesuffix(f" {option}") if not at and option else command)
                yield command, at, option
    assert sorted(found) == expected


# --- kinds of paths ----------------------------------------------------------------------------


def written(content: bytes) -> Callable[[Path], Path]:
    def make(path: Path) -> Path:
        path.write_bytes(content)
        return path

    return make


def sparse(path: Path) -> Path:
    with path.open("wb") as file:
        file.truncate(HUGE_BYTES)
    return path


def pipe(path: Path) -> Path:
    os.mkfifo(path)
    return path


def unreadable(path: Path) -> Path:
    path.write_bytes(b"\x00\xff")  # a user who may read everything finds this instead
    path.chmod(0)
    return path


def listening(path: Path) -> Path:
    with socket.socket(socket.AF_UNIX) as door, contextlib.chdir(path.parent):
        door.bind(path.name)
    return path


def folder(path: Path) -> Path:
    path.mkdir()
    return path


def to_itself(path: Path) -> Path:
    path.symlink_to(path)
    return path


def device(name: str) -> Callable[[Path], Path]:
    """A link to a character device. A user who may replace what is in /dev gets a device of the test's
    own, with the same numbers: a fault in the program must not cost the machine its /dev/zero."""

    def make(path: Path) -> Path:
        real = Path("/dev") / name
        facts = real.stat()
        assert stat.S_ISCHR(facts.st_mode)
        if os.access("/dev", os.W_OK):
            real = path.parent / name
            try:
                os.mknod(real, stat.S_IFCHR | 0o666, facts.st_rdev)
            except PermissionError:
                pytest.skip("/dev may be written to, and no device may be made elsewhere")
        path.symlink_to(real)
        return path

    return make


def below_a_file(path: Path) -> Path:
    path.write_bytes(b"")
    return path / path.name


SPECIAL: dict[str, Callable[[Path], Path]] = {
    "in a folder that is not there": lambda path: path.parent / "none" / path.name,
    "a folder": folder,
    "a pipe": pipe,
    "a device without an end": device("zero"),
    "a full device": device("full"),
    "a terminal": device("tty"),
    "a link to itself": to_itself,
    "a socket": listening,
    "below a file": below_a_file,
    "a name too long": lambda path: path.with_name("n" * 300 + path.suffix),
}
FREE = {"history 0", "pack --take"}
"""What is in these files is not looked at: a history is asked for when a file is damaged, and a take
is handed on as it is."""
READ_ONLY: dict[str, Callable[[Path], Path]] = {
    "missing": lambda path: path,
    "unreadable": unreadable,
    "empty": written(b""),
    "binary": written(bytes(range(256)) * 64),
    "NUL bytes": written(b"\x00" * 4096),
    "invalid UTF-8": written(b"rig: caf\xe9\n"),
    "huge and sparse": sparse,
    "a name with a line end, an escape and a byte that is no text": lambda path: path.with_name(
        f"a\nb\x1b[31m\udcff{path.suffix}"
    ),
}
INPUTS = SPECIAL | READ_ONLY
DIRECTORIES = {
    name: make
    for name, make in INPUTS.items()
    if name not in ("a folder", "NUL bytes", "invalid UTF-8", "empty")
}


def words_of(command: str, home: Path) -> list[str]:
    return GOOD[command].replace("FOLDER", str(home)).replace("AGAIN", str(home)).split()


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder with one good file of each kind."""
    folder = tmp_path / "home"
    folder.mkdir()
    for name in ("rig.yaml", "set.yaml"):
        shutil.copy(DEMO / name, folder / name)
    (folder / "mine.yaml").write_text(
        "profile: mine\noutputs:\n  a: {kind: gate, by: note, number: 36}\n"
    )
    (folder / "readings.txt").write_text("C1 0.01\nC2 1.01\nC3 2.01\nC4 3.01\n")
    shutil.copy(PACK, folder / "pack.zip")
    beat = mido.MidiFile()
    beat.tracks.append(mido.MidiTrack([mido.Message("note_on", channel=9, note=36)]))
    beat.save(folder / "beat.mid")
    return folder


def kept(folder: Path) -> dict[str, tuple[int, int, bytes]]:
    """Kind, size and first bytes of all that is in a folder."""
    found = {}
    for path in sorted(folder.rglob("*")):
        facts = path.lstat()
        start = b""
        if path.is_file() and not path.is_symlink():
            with path.open("rb") as file:
                start = file.read(64 << 10)
        found[str(path)] = (facts.st_mode, facts.st_size, start)
    return found


def run(command: str, words: list[str]) -> Result:
    with bounded():
        return CliRunner().invoke(main, [*command.split(), *words], input="y\n")


def assert_refused(result: Result, bad: Path, codes: tuple[int, ...] = (1,)) -> None:
    assert isinstance(result.exception, SystemExit), repr(result.exception)
    assert result.exit_code in codes, result.output
    lines = result.stderr.splitlines()
    if result.exit_code == 2:
        assert lines[0].startswith("Usage: ")
        lines = lines[-1:]
    assert len(lines) == 1, result.stderr
    assert lines[0].isprintable()
    assert "Errno" not in lines[0]
    assert "Traceback" not in result.output
    name = bad.name if bad.name.isprintable() else repr(bad.name)[1:-1]
    assert name in lines[0] or bad.parent.name in lines[0]


CASES = [
    pytest.param(command, at, option, kind, id=f"{command} {option or at}: {kind}")
    for command, at, option in places()
    for kind in (
        SPECIAL
        if option in WRITES
        else DIRECTORIES
        if option in FOLDERS or command == "init"
        else [*SPECIAL, "missing"]
        if f"{command} {option or at}" in FREE
        else INPUTS
    )
]


@pytest.mark.parametrize(("command", "at", "option", "kind"), CASES)
def test_a_path_that_cannot_be_used_is_one_plain_message(
    home: Path, tmp_path: Path, command: str, at: int, option: str, kind: str
) -> None:
    words = words_of(command, home)
    usual = Path(words[at])
    place = tmp_path / ("elsewhere" + usual.suffix)
    bad = INPUTS[kind](place)
    words[at] = str(bad)
    before = kept(tmp_path)
    assert_refused(run(command, words), bad)
    assert kept(tmp_path) == before


@pytest.mark.parametrize("way", ["itself", "link", "hard link", "another ending"])
@pytest.mark.parametrize(
    ("command", "at", "option"), [p for p in places() if p[2] in WRITES], ids=lambda v: str(v)
)
def test_what_is_read_is_never_written_over(
    home: Path, command: str, at: int, option: str, way: str
) -> None:
    """By its own name, by a link to it with the right ending; nor any other rig, set or profile,
    which all end in .yaml (`import`, which writes a set, refuses every file that is there)."""
    words = words_of(command, home)
    ending = Path(words[at]).suffix
    for read in sorted(home.iterdir()):
        if way == "another ending":
            out = home / "mine.yaml"
        elif str(read) not in words:
            continue
        elif way == "itself":
            out = read
        else:
            out = home / f"{read.stem}-link{ending}"
            out.symlink_to(read) if way == "link" else out.hardlink_to(read)
        words[at] = str(out)
        before = kept(home)
        assert_refused(run(command, words), out, (1, 2))
        assert kept(home) == before


PRINTING = [
    "check RIG SET",
    "check NONE",
    "profile schema",
    "profile list",
    "import BEAT",
    "--help",
]


@pytest.mark.parametrize("line", PRINTING)
@pytest.mark.parametrize("where", ["stdout", "stderr", "both"])
def test_a_full_disk_under_the_output_is_one_plain_message(
    home: Path, line: str, where: str
) -> None:
    """/dev/full (full(4)) answers every write with "no space left on device"."""
    files = {"RIG": "rig.yaml", "SET": "set.yaml", "BEAT": "beat.mid", "NONE": "none.yaml"}
    words = [str(home / files[word]) if word in files else word for word in line.split()]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "bridge.cli", *words],
            stdout=full if where != "stderr" else subprocess.PIPE,
            stderr=full if where != "stdout" else subprocess.PIPE,
            check=False,
        )
    said = (done.stderr or b"").decode().splitlines()
    if line == "check NONE":
        assert done.returncode == 1
        assert len(said) == (1 if where == "stdout" else 0)
    elif where == "stderr":
        assert done.returncode == 0
    else:
        assert done.returncode == Exit.MACHINE
        if where == "stdout":
            assert said == ["the output  cannot be read or written: no space left on device"]


def test_names_that_the_terminal_cannot_show_are_spelt_out(home: Path) -> None:
    """A terminal of ISO 8859-1, which has å (U+00E5 is its byte E5) but no arrow."""
    (home / "set.yaml").write_text(
        "set: Låg tid →\nlanes:\n  k: {every: 1, out: main.gate-1}\n", encoding="utf-8"
    )
    done = subprocess.run(
        [sys.executable, "-m", "bridge.cli", "check", home / "rig.yaml", home / "set.yaml"],
        env=os.environ | {"PYTHONIOENCODING": "latin-1"},
        capture_output=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"L\xe5g tid \\u2192" in done.stdout
