"""What takes cost: recording, exporting, playing again.

    python tests/bench/bench_take.py [export] [again] [memory] [late] [--hours 12] [--minutes 60]

``export``: an hour of 16 lanes under hands, recorded on a clock that jumps, written as a MIDI file,
as tables, as a picture and as sound; the ratio is to reading the same file alone, in the same run.
``again``: an hour of dense random moves on a player that wakes late by chance, played again and held
against the recording, message by message. ``memory``: hours of the demo recorded on a clock that
jumps; memory and objects at every twelfth. ``late``: two players in real time, the one with a tape
and a recorder, the other without, in turns in one run. Alone it does all of them.
"""

from __future__ import annotations

import argparse
import gc
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1]), str(HERE.parents[2])]

from bench_soak import rss_mb  # noqa: E402
from stage import RIG, SET, table  # noqa: E402
from support.taped import Evening, dense_moves  # noqa: E402

SECTIONS = """\
sections:
  low:  {play: [kick, bass, line, hat], macros: {a: 0.2, b: 0.1}}
  high: {play: all, macros: {a: 0.9, b: 0.7}}
  odd:  {play: [tom, bell, lead, wood, glass, swell, drift], macros: {c: 0.8}}
order:
  - {section: low, bars: 16}
  - {section: high, bars: 32}
  - {section: odd, bars: 16}
after_order: again
"""
PARTS = 12


def evening(folder: Path, **more: Any) -> Evening:
    """Nothing is kept of what the ports got."""
    return Evening(folder, text=SET + SECTIONS, rig=RIG, keep=0, **more)


def recorded(folder: Path, minutes: float, each_s: float, late_ms: float = 0.0) -> Path:
    """A take of so many minutes with a move every `each_s`; gives its file."""
    now = evening(folder, late_ms=late_ms)
    now.do("order", run=True)
    now.do("start")
    dense_moves(now, minutes * 60, each_s)
    now.stop()
    now.recorder.end(now.now / 1e9)
    return now.takes.find("last")


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """CPU seconds, the less of two runs, and what it gives."""
    found = []
    for _ in range(2):
        gc.collect()
        before = time.process_time()
        made = work()
        found.append(time.process_time() - before)
    return min(found), made


# --- exporting ------------------------------------------------------------------------------------


def export(minutes: float) -> list[str]:
    """Lines of Markdown."""
    from bridge.files.take import read
    from bridge.paper import take_midi
    from bridge.paper.take_course import played

    with tempfile.TemporaryDirectory() as name:
        path = recorded(Path(name), minutes, 2.0)
        size = path.stat().st_size
        reading, take = timed(lambda: read(path))
    setting, made = timed(lambda: played(take))
    ways: dict[str, Callable[[], Any]] = {
        ".mid": lambda: take_midi.midi_file(take, made),
        ".csv, hits and values": lambda: take_midi.table(take, made),
        ".csv, moves": lambda: take_midi.moves(take, made),
    }
    rows: list[list[object]] = []
    for way, work in ways.items():
        cost, made_of_it = timed(work)
        whole = reading + setting + cost
        rows.append([way, f"{whole:.2f}", f"{whole / reading:.1f}", len(made_of_it) // 1024])
        print(rows[-1], file=sys.stderr, flush=True)
    moves = sum(mark["is"] == "move" for mark in take.marks)
    return [
        f"{minutes:g} minutes of 16 lanes, {len(take.ticks)} messages, {len(take.events)} hits and "
        f"values, {moves} moves, {size // 1024} KiB; read in {reading:.2f} s:",
        "",
        *table(["exported as", "CPU, s, reading included", "readings", "KiB"], rows),
    ]


# --- playing again --------------------------------------------------------------------------------


def again(minutes: float) -> list[str]:
    """Lines of Markdown."""
    from bridge.files.take import read
    from bridge.paper.take_again import compare

    with tempfile.TemporaryDirectory() as name:
        take = read(recorded(Path(name), minutes, 0.2, late_ms=3.0))
    begin = time.process_time()
    found = compare(take)
    cost = time.process_time() - begin
    moves = sum(mark["is"] == "move" for mark in take.marks)
    said = "all the same" if found.same else f"then {found.recorded} was {found.again}"
    return [
        f"{minutes:g} minutes with {moves} moves, each wake-up up to 3 ms late by chance: "
        f"{found.messages} of {len(take.ticks)} messages, {said}. Lost: {take.lost}. "
        f"{cost:.0f} s of CPU."
    ]


# --- memory ---------------------------------------------------------------------------------------


def memory(hours: float) -> list[str]:
    """Lines of Markdown."""
    rows: list[list[object]] = []
    with tempfile.TemporaryDirectory() as name:
        now = evening(Path(name))
        now.do("order", run=True)
        now.do("start")
        for part in range(1, PARTS + 1):
            dense_moves(now, hours * 3600 / PARTS, 2.0, seed=part)
            now.written()
            gc.collect()
            size = sum(path.stat().st_size for path in now.takes.folder.iterdir()) >> 20
            cells = [f"{rss_mb():.1f}", len(gc.get_objects()), size, now.recorder.lost]
            rows.append([f"{hours * part / PARTS:g} h", *cells])
            print(rows[-1], file=sys.stderr, flush=True)
        now.stop()
        now.recorder.end(now.now / 1e9)
    return [
        f"{hours:g} hours of 16 lanes recorded on a clock that jumps:",
        "",
        *table(["musical time", "memory, MB", "objects", "takes, MB", "rows lost"], rows),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("which", nargs="*", metavar="WHICH")
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--minutes", type=float, default=60.0)
    given = parser.parse_args()
    parts: dict[str, Callable[[], list[str]]] = {
        "export": lambda: export(given.minutes),
        "again": lambda: again(given.minutes),
        "memory": lambda: memory(given.hours),
    }
    for which in given.which or parts:
        print("\n".join(parts[which]()), end="\n\n", flush=True)


if __name__ == "__main__":
    main()
