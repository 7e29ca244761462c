"""What the player is begun with: rig and set from their files, or from their last good copies."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from bridge import __version__
from bridge.errors import BridgeError, Problem
from bridge.files import store
from bridge.files.rig import Rig, load_rig
from bridge.files.set import SetDocument, load_set
from bridge.files.tuning import corrections
from bridge.player import work
from bridge.player.start import Start, port_specs
from bridge.supervisor.fallback import Loaded


def from_files(
    rig_path: Path, set_path: Path, socket: str, play: bool, state: Path
) -> tuple[Rig, Start]:
    """A rig, and a start of the player with it. What had to be taken from a last good copy in the
    `state` folder is among the warnings of the start. Raises InputError."""
    rig, wrong = store.load_or_last_good(
        rig_path, lambda path: load_rig(path, place=rig_path), state
    )
    start = make_start(rig, set_path, socket, play, state)
    return rig, replace(start, warnings=(*map(str, wrong), *start.warnings))


def make_start(
    rig: Rig, set_path: Path, socket: str, play: bool, state: Path | None = None
) -> Start:
    """Everything the player needs, from the files. With a `state` folder, the last good copy of a
    set that does not load is taken from there, and said. Raises InputError."""

    def load(path: Path) -> SetDocument:
        document = load_set(path, rig)
        work.check(document.score, rig.wired, str(path))
        return document

    wrong: tuple[Problem, ...] = ()
    if state is None:
        document = load(set_path)
    else:
        document, wrong = store.load_or_last_good(set_path, load, state)
    tuned, doubts = corrections(rig)
    return Start(
        score=document.score,
        outputs=dict(rig.wired),
        ports=port_specs(rig.interfaces),
        socket=socket,
        timing=rig.timing,
        clock=rig.clock,
        inputs=tuple(dict.fromkeys(c.port for c in rig.controllers.values())),
        rig=rig.name,
        set=document.spec.name,
        text=document.text,
        file=str(set_path.resolve()),
        version=__version__,
        play=play,
        corrections=tuned,
        warnings=(*map(str, wrong), *doubts),
    )


def last_good(set_path: Path, rig: Rig, start: Start, state: Path) -> Loaded | None:
    """The last good copy of the set, unless that is what is started with."""
    try:
        document = load_set(store.good_copy(set_path, state), rig)
    except (BridgeError, OSError):
        return None
    if document.text == start.text:
        return None
    return Loaded(document.score, 0, document.text, start.file)


def keep_good(file: str, text: str, state: Path) -> str:
    """Keeps a copy for a later start at which the file does not load; why not, or ""."""
    try:
        if file and text:
            store.keep_good(Path(file), text, state)
    except OSError as error:
        return f"a good copy of {file} cannot be kept: {error.strerror or error}"
    return ""
