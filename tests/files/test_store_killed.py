"""Every file that the program writes, with the writer killed before each single step of it.

A real process is ended (`os._exit`, which runs no cleaning up) before its first, second, third ...
call of the system, until one gets through; writes are cut into short pieces, as POSIX allows
(write(2)), so that there are many. Whatever the point: each file is the old one or the new one,
whole, and nothing but a leftover that the next start sweeps away.
"""

from __future__ import annotations

import ast
import asyncio
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from functools import cache
from pathlib import Path

import pytest
from support.desk import RIG

from bridge import demo
from bridge.commands.outfile import save_out
from bridge.control import devices, remembered
from bridge.demo import working as demo_working
from bridge.files import fitting, pack, store, take, token, working
from bridge.files.profile import load_profile, write_profile
from bridge.files.rig import Rig, load_rig
from bridge.files.set import load_set
from bridge.files.sounds import Known, save_sounds
from bridge.files.take_folder import ENDING, TakeFolder
from bridge.files.tuning import Tuning, save_tuning
from bridge.listen.sound import Sound
from bridge.player.start import PortSpec
from bridge.supervisor import failsafe, health, moment, recorder
from bridge.supervisor.last_moment import Moment
from bridge.supervisor.spending import Spending
from bridge.voltage.calibration import Correction

NOW = datetime(2026, 1, 31, 21, 5, 0)
CALLS = (
    *("open", "fchmod", "write", "fsync", "fdatasync", "ftruncate", "close"),
    *("replace", "rename", "unlink", "mkdir"),
)
PIECES = 12
KILLED = 77
PROFILE = "eight-gates-four-cv"
TAKE_ROWS = 20
TAKE_DATA = [bytes([0x90, 60, part + 1]) for part in range(2) for _ in range(TAKE_ROWS)]
HEAD_MOST = 400


def kept(text: str) -> working.Kept:
    return working.Kept(
        started_with="/sets/set.yaml",
        run="r",
        revision=1,
        file="/sets/set.yaml",
        text=text,
        disk="",
    )


def a_moment(bar: int) -> bytes:
    last = Moment(
        rig="rig.yaml",
        set="set.yaml",
        run="r",
        ended=False,
        playing=True,
        tick=(bar - 1) * 3840,
        bar=bar,
        beat=1,
        tempo=120,
        source="internal",
        offset_ms=0,
        performance={},
    )
    return moment.sealed(last.model_dump_json().encode())


def write_save(folder: Path, what: str) -> None:
    store.save(folder / "set.yaml", f"set: {what}\n" * 20, NOW)


def write_good(folder: Path, what: str) -> None:
    store.keep_good(Path("/sets/set.yaml"), f"set: {what}\n" * 20, folder)


def write_working(folder: Path, what: str) -> None:
    working.write(folder, kept(what * 50))


def write_moment(folder: Path, what: str) -> None:
    store.write_atomic(folder / moment.FILE, a_moment(len(what)), mode=0o600)


def write_closing(folder: Path, what: str) -> None:
    failsafe.keep(failsafe.safeties(RIG, {"main": PortSpec(what)}), folder)


def write_token(folder: Path, what: str) -> None:
    token.kept_token(folder)


# --- beside the rig, where what a person has made stays -------------------------------------------


def number_of(what: str) -> float:
    return {"old": 0.25, "new": 0.5}[what]


def write_tuning(folder: Path, what: str) -> None:
    correction = Correction(number_of(what), made="2026-01-31T20:00:00")
    save_tuning(folder / "rig.yaml", "main.pitch-1", Tuning(correction, "any"), NOW)


def write_sounds(folder: Path, what: str) -> None:
    sound = Sound(number_of(what), (-6.0,) * 10, 61.0, 180.0)
    save_sounds(folder / "rig.yaml", {"main.gate-1": Known(NOW.isoformat(), 3.0, sound)}, NOW)


@cache
def a_rig() -> Rig:
    return load_rig(demo.FOLDER / "rig.yaml")


def write_mapping(folder: Path, what: str) -> None:
    rig = replace(a_rig(), path=folder / "rig.yaml")
    to = {"old": "main.gate-2", "new": "main.gate-3"}[what]
    fitting.keep_said(rig, "Loft", {"box.gate-1": to}, NOW)


def write_profile_file(folder: Path, what: str) -> None:
    write_profile(replace(load_profile(PROFILE), name="mine"), folder)


def write_soundcheck(folder: Path, what: str) -> None:
    save_out(folder / "soundcheck.txt", f"set: {what}\n" * 20)


def write_drawing(folder: Path, what: str) -> None:
    with store.open_atomic(folder / "listen.wav") as file:
        file.write(f"set: {what}\n".encode() * 20)


@cache
def a_pack() -> pack.Pack:
    rig = a_rig()
    return pack.gather(rig, load_set(demo.FOLDER / "set.yaml", rig), "<p>sheet</p>")


def write_pack(folder: Path, what: str) -> None:
    pack.unpack(a_pack(), folder / "opened")


# --- what a person says and whom one lets in ------------------------------------------------------


def write_note(folder: Path, what: str) -> None:
    (folder / "takes").mkdir(exist_ok=True)
    TakeFolder(folder).rename(folder / "takes" / "one.take", what)


async def kept_file(change: Callable[[], object]) -> None:
    """Whatever is kept by a task is written when the tasks have ended."""
    change()
    await asyncio.gather(*(asyncio.all_tasks() - {asyncio.current_task()}))


def write_devices(folder: Path, what: str) -> None:
    known = devices.Devices(folder, clock=lambda: 1e9)
    asyncio.run(kept_file(lambda: known.pair(f"tablet {what}", "play", "10.0.0.5")))


def write_network(folder: Path, what: str) -> None:
    file = remembered.Remembered(folder, "r")
    network = remembered.Network(run="r", admitted={"10.0.0.5": number_of(what)})
    asyncio.run(kept_file(lambda: file.keep(lambda: network)))


def write_health(folder: Path, what: str) -> None:
    health.Told(folder).tell(health.Health(unkept=what))


# --- takes ----------------------------------------------------------------------------------------


def write_take(folder: Path, what: str) -> None:
    """A take of a head, two parts and a foot, each of which is appended by itself."""
    about = {"version": "0", "rig": "Quay", "set": what, "meter": [4, 4], "files": {}}
    spending = Spending()
    made = recorder.Recorder(folder, lambda: about, spending, lambda: NOW)
    marks: list[dict[str, object]] = [{"is": "begin", "ns": 0, "tick": 0, "at": 0}]
    for part in range(2):
        rows = TAKE_DATA[part * TAKE_ROWS : (part + 1) * TAKE_ROWS]
        sent = [(row, row, 0, "main", data, "kick") for row, data in enumerate(rows)]
        batch = {"marks": marks, "sent": sent, "events": [], "lost": 0, "plays": 1}
        made.hear(batch, part * 3600.0)
        made.look(part * 3600.0 + recorder.GATHER_S)
        marks = []
    made.end(2 * 3600.0)


def write_demo(folder: Path, what: str) -> None:
    demo_working.files(folder, now=NOW)


WRITERS: list[Callable[[Path, str], None]] = [
    *(write_save, write_good, write_working, write_moment, write_closing, write_token),
    *(write_tuning, write_sounds, write_mapping, write_profile_file, write_soundcheck),
    *(write_drawing, write_pack, write_demo, write_note, write_devices, write_network),
    *(write_health, write_take),
]
NEW_ONLY = {write_token, write_profile_file, write_pack, write_demo}
"""They never write over what is there."""
STRIDE: dict[Callable[[Path, str], None], int] = {write_demo: 23}
"""Many small files, one after the other: not each of their steps."""


def readable(path: Path) -> bool:
    """Whether a file that is not the same each time is one that its reader takes."""
    if path.name == token.FILE_NAME:
        return token.kept_token(path.parent)[1] == ""
    known = devices.Devices(path.parent, clock=lambda: 1e9).listed()
    return path.name == devices.FILE_NAME and known[0].name in ("tablet old", "tablet new")


def as_far_as_written(path: Path) -> bool:
    """A take that was cut off is what was played up to there, part for part; it is in no list
    before its head is there."""
    if TakeFolder(path.parent.parent).row(path) is None:
        return path.stat().st_size < len(take.MAGIC) + HEAD_MOST
    data = [row[4] for row in take.read(path).sent()]
    return len(data) % TAKE_ROWS == 0 and data == TAKE_DATA[: len(data)]


def made_by(write: Callable[[Path, str], None], folder: Path, there: bool) -> dict[Path, bytes]:
    """What is there after it all has gone well, by the name within the folder."""
    folder.mkdir()
    if there:
        write(folder, "old")
    write(folder, "new")
    return contents(folder)


def contents(folder: Path) -> dict[Path, bytes]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder): path.read_bytes() for path in files}


def killed_before(call: int, work: Callable[[], object]) -> bool:
    """Whether a process that does `work` is ended before it has come to the end."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == KILLED
    left = call
    try:
        for name in CALLS:
            real = getattr(os, name)

            def step(*given: object, _real: object = real, **named: object) -> object:
                nonlocal left
                if not left:
                    os._exit(KILLED)
                left -= 1
                if _real is real_write:
                    data = memoryview(given[1])  # type: ignore[arg-type]
                    given = (given[0], data[: max(1, -(-whole_length(data) // PIECES))])
                return _real(*given, **named)  # type: ignore[operator]

            setattr(os, name, step)
        work()
    finally:
        os._exit(0)


real_write = os.write
_lengths: list[int] = [0]


def whole_length(data: memoryview) -> int:
    """The length of what is written in pieces, told by its first piece."""
    _lengths[0] = max(_lengths[0], len(data))
    return _lengths[0]


@pytest.mark.parametrize("write", WRITERS, ids=lambda write: write.__name__[6:])
def test_old_or_new_and_never_neither(
    tmp_path: Path, write: Callable[[Path, str], None], record_property: Callable[..., None]
) -> None:
    points = 0
    for there in (True, False) if write not in NEW_ONLY else (False,):
        done = made_by(write, tmp_path / f"{there}", there)
        call = 0
        while True:
            folder = tmp_path / f"{there}-{call}"
            folder.mkdir()
            if there:
                write(folder, "old")
            before = contents(folder)
            if not killed_before(call, lambda folder=folder: write(folder, "new")):  # type: ignore[misc]
                break
            for place in (folder, folder / "demo"):
                store.sweep(place)
            after = contents(folder)
            assert before.keys() <= after.keys(), f"gone, killed before call {call}"
            for name, raw in after.items():
                if name.parent.name == store.BACKUPS:
                    original = next(path for path in before if path.stem in name.name)
                    assert raw == before[original]
                elif name.suffix == ENDING and name not in before:
                    assert as_far_as_written(folder / name)
                else:
                    whole = (before.get(name), done.get(name))
                    assert raw in whole or readable(folder / name), (name, call)
            if write is write_save and before != {name: after[name] for name in before}:
                assert store.backups(folder / "set.yaml")
            if write is write_pack:
                assert after in ({}, done), "a folder is there with all that is in it"
            points += 1
            call += STRIDE.get(write, 1)
        assert call > 5, "there were steps to be killed at"
    record_property("points", points)
    print(f"{write.__name__}: {points} points")


def test_what_is_swept_is_ours_alone(tmp_path: Path) -> None:
    ours, young = tmp_path / ".set.yaml.abcdefgh.new", tmp_path / ".set.yaml.12345678.new"
    theirs = [tmp_path / name for name in ("set.yaml", ".set.yaml.new", "set.abcdefgh.new", ".new")]
    for path in (ours, young, *theirs):
        path.write_text("x")
    os.utime(ours, (0, 0))
    store.sweep(tmp_path, older_s=3600)
    assert not ours.exists()
    assert young.exists()
    assert all(path.exists() for path in theirs)


BY_ITS_WRITER = {
    "commands/open.py": write_save,
    "commands/outfile.py": write_soundcheck,
    "commands/sounding.py": write_drawing,
    "control/remembered.py": write_network,
    "demo/working.py": write_demo,
    "files/fitting.py": write_mapping,
    "files/pack.py": write_pack,
    "files/rig_change.py": write_save,
    "files/profile.py": write_profile_file,
    "files/sounds.py": write_sounds,
    "files/store.py": write_save,
    "files/take_folder.py": write_note,
    "files/token.py": write_token,
    "files/tuning.py": write_tuning,
    "files/working.py": write_working,
    "session/setbook.py": write_save,
    "supervisor/comeback.py": write_save,
    "supervisor/failsafe.py": write_closing,
    "supervisor/health.py": write_health,
    "supervisor/moment.py": write_moment,
    "supervisor/recorder.py": write_take,
    "supervisor/supervise.py": write_good,
    "web/keeping_http.py": write_save,
}
WITH_NOTHING_OF_ITS_OWN = {
    "commands/doctor.py": "as a drawing: one call of the writer",
    "commands/install.py": "as a drawing: one call of the writer",
    "paper/scope_plot.py": "as a drawing: one call of the writer",
    "listen/quick.py": "into the file that a command has opened",
    "commands/pdf.py": "in a folder that is gone with the process",
    "files/take_rig.py": "in a folder that is gone with the process",
    "web/paper_http.py": "in a folder that is gone with the process",
    "cli.py": "the null device",
    "ports/rtmidi.py": "the null device",
    "ports/simulated.py": "a log of its own for tests, line by line",
    "player/wake.py": "a pipe",
    "supervisor/fork_server.py": "a number through a pipe",
    "supervisor/lock.py": "an empty file that is locked",
    "supervisor/voice.py": "lines to whoever reads them",
}
STORE = {"write_atomic", "open_atomic", "save", "back_up", "keep_good"}
BARE = {
    "os.open",
    "os.write",
    "os.replace",
    "os.rename",
    "os.link",
    "wave.open",
    "tempfile.mkstemp",
}
BARE |= {"shutil.copy", "shutil.copyfile", "shutil.copy2", "shutil.move", "shutil.copytree"}


def writes(tree: ast.AST) -> bool:
    """Whether a module writes files: by the store, or by what it could be gone round with."""
    for node in ast.walk(tree):
        match node:
            case ast.ImportFrom(module="bridge.files.store", names=names):
                if STORE & {name.name for name in names}:
                    return True
            case ast.Attribute(value=ast.Name(id="store"), attr=name) if name in STORE:
                return True
            case ast.Attribute(attr="write_text" | "write_bytes"):
                return True
            case ast.Attribute() if ast.unparse(node) in BARE:
                return True
            case ast.Call(func=ast.Name(id="open") | ast.Attribute(attr="open")):
                modes = [*node.args, *(word.value for word in node.keywords)]
                given = {mode.value for mode in modes if isinstance(mode, ast.Constant)}
                if any(
                    isinstance(mode, str) and set(mode) & set("wxa+") and len(mode) < 4
                    for mode in given
                ):
                    return True
    return False


def test_every_module_that_writes_files_is_killed_here_or_said_why_not() -> None:
    package = Path(demo.FOLDER).parent
    reading = {"files/read.py"}  # it alone opens what is read
    found = {
        path.relative_to(package).as_posix()
        for path in package.rglob("*.py")
        if writes(ast.parse(path.read_text(encoding="utf-8")))
    }
    assert found - reading == BY_ITS_WRITER.keys() | WITH_NOTHING_OF_ITS_OWN.keys()
    assert set(BY_ITS_WRITER.values()) | {write_devices} == set(WRITERS)
