"""The start after a power cut: what was played comes back, and nothing that was typed is lost.

- The text comes back when it had unsaved changes and nobody has written the file since. When
  somebody has, the file is played, and the unsaved text is put aside as a dated copy beside it.
- The performance, the clock in use and the place come back: standing at the beginning of the
  bar, or playing from there, as the rig's ``resume`` says.
- After an end in good order the files are played as they are; unsaved text is put aside then too.
"""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from bridge.errors import BridgeError, CommandError
from bridge.files import store, working
from bridge.files.rig import Rig
from bridge.files.set import parse_set
from bridge.music.performance import Performance
from bridge.player import work
from bridge.player.start import Start
from bridge.supervisor.moment import Moment, Moments


def bring_back(rig: Rig, start: Start, moments: Moments, *, fresh: bool) -> Start:
    """`start`, going on from what was played when the last run was cut off.

    Args:
        rig: the rig it is played on.
        start: what the files say.
        moments: where the last moment and the last text lie.
        fresh: the files are played as they are.

    Returns:
        The start, with lines on what came back among its warnings.
    """
    moment, note = moments.last()
    notes = [note] if note else []
    kept, note = working.read(moments.folder)
    notes += [note] if note else []
    cut_off = moment is not None and not moment.ended and not fresh
    if kept is not None and kept.started_with == start.file:
        start, dealt_with = _with_text(rig, start, kept, cut_off, notes)
        if dealt_with:
            working.drop(moments.folder)
    if cut_off and moment is not None:
        start = _with_moment(rig, start, moment, notes)
    return replace(start, warnings=(*start.warnings, *notes))


def _with_text(
    rig: Rig, start: Start, kept: working.Kept, cut_off: bool, notes: list[str]
) -> tuple[Start, bool]:
    """And whether the kept text may go. A restored one stays until the service writes its own:
    the power may fail again before that."""
    path = Path(kept.file)
    now = working.digest(path)
    if path.parent != Path(start.file).parent or path.suffix not in (".yaml", ".yml"):
        return start, True  # it does not name a set beside ours: not as we write it
    unsaved = now != working.digest_of(kept.text)
    if cut_off and (not unsaved or now == kept.disk):
        try:
            document = parse_set(kept.text, path.name, rig)
            work.check(document.score, rig.wired, path.name)
        except BridgeError as error:
            notes.append(f"the last set cannot be restored: {error}")
        else:
            if unsaved:
                notes.append(f"restored the unsaved changes of {path.name}")
            restored = replace(
                start,
                score=document.score,
                text=kept.text,
                file=kept.file,
                set=document.spec.name,
                revision=max(start.revision, kept.revision),
            )
            return restored, not unsaved
    if not unsaved:
        return start, True
    note, lies_there = _put_aside(path, kept.text, changed=cut_off and now != kept.disk)
    notes.append(note)
    return start, lies_there


def _put_aside(path: Path, text: str, changed: bool) -> tuple[str, bool]:
    why = "was changed by somebody else and had" if changed else "had"
    try:
        copy = store.back_up(path, text.encode(), datetime.now())
    except OSError as error:
        reason = error.strerror or error
        return f"{path.name} {why} unsaved changes, and they cannot be kept: {reason}", False
    return (
        f"{path.name} {why} unsaved changes; they are kept as {copy.parent.name}/{copy.name}",
        True,
    )


def _with_moment(rig: Rig, start: Start, moment: Moment, notes: list[str]) -> Start:
    """Standing at the beginning of the bar; playing goes on from there when it should."""
    spec = start.score.spec
    try:
        Performance(start.score).restore(moment.performance)
    except CommandError as error:
        notes.append(f"the last performance cannot be restored: {error}")
        return start
    tick = int(moment.tick) // spec.bar_ticks * spec.bar_ticks if moment.playing else moment.tick
    transport = {
        "state": "stopped",
        "tick": tick,
        "tempo": moment.tempo,
        "at_ms": time.monotonic_ns() / 1e6,
    }
    snapshot: dict[str, object] = {
        **moment.performance,
        "transport": transport,
        "clock": {"source": moment.source, "offset_ms": moment.offset_ms},
    }
    play = moment.playing and (start.play or rig.resume == "playing")
    how = "playing" if play else "stopped"
    notes.append(
        f"restored after a power cut: {how} at bar {moment.bar}; `--from-files` starts anew"
    )
    return replace(start, snapshot=snapshot, play=play)
