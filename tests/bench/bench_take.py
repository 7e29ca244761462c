"""What takes cost: recording, exporting, playing again.

    python tests/bench/bench_take.py [export] [again] [memory] [late] [--hours 12] [--minutes 60]
        [--seconds 60]

``export``: an hour of 16 lanes under hands, recorded on a clock that jumps, written as a MIDI file,
as tables and as a picture; the ratio is to reading the same file alone, in the same run.
``again``: an hour of dense random moves on a player that wakes late by chance, played again and held
against the recording, message by message. ``memory``: hours of the demo recorded on a clock that
jumps; memory and objects at every twelfth. ``late``: the player's loop in real time in turns with a
tape and without, and how late its messages leave (not the whole program: its processes, their
priority and the socket between them are left out). Alone it does all of them.
"""

from __future__ import annotations

import argparse
import gc
import json
import statistics
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
from support.said import say  # noqa: E402
from support.taped import Evening, dense_moves  # noqa: E402

from bridge.files.rig import parse_rig  # noqa: E402
from bridge.files.set import parse_set  # noqa: E402
from bridge.music.score import compile_score  # noqa: E402
from bridge.player.dispatch import Player  # noqa: E402
from bridge.player.lateness import Lateness  # noqa: E402
from bridge.player.start import port_specs  # noqa: E402
from bridge.ports.simulated import SimulatedOut  # noqa: E402

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
TURNS = 5


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
    from bridge.paper import chart_pages
    from bridge.paper.take_chart import chart_of

    ways: dict[str, Callable[[], Any]] = {
        ".svg, a picture": lambda: chart_pages.draw(chart_of(take, made)),
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


# --- lateness -------------------------------------------------------------------------------------


def late(seconds: float) -> list[str]:
    """Lines of Markdown."""
    found: dict[str, list[Lateness]] = {"with a tape": [], "without": []}
    for _ in range(TURNS):
        for way, turns in found.items():
            turns.append(in_real_time(seconds / TURNS, tape=way == "with a tape"))
    rows: list[list[object]] = []
    for way, turns in found.items():
        halves = [statistics.median(t.percentile(share) for t in turns) for share in (0.5, 0.99)]
        rows.append([way, *(f"{ns / 1000:.0f}" for ns in halves), sum(t.count for t in turns)])
    (_, half, most, _), (_, other_half, other_most, _) = rows
    return [
        f"{TURNS} turns of {seconds / TURNS:g} s each way, the median of each:",
        "",
        *table(["", "p50 late, us", "p99 late, us", "messages"], rows),
        "",
        f"Ratio: p50 {float(str(half)) / float(str(other_half)):.2f}, "
        f"p99 {float(str(most)) / float(str(other_most)):.2f}.",
    ]


def in_real_time(seconds: float, *, tape: bool) -> Lateness:
    """How late messages left, over so many seconds."""
    rig = parse_rig(RIG)
    score = compile_score(parse_set(SET + SECTIONS, rig=rig).spec, rig.ranges)
    specs = port_specs(rig.interfaces)
    clock = time.monotonic_ns
    ports = {name: SimulatedOut(name, clock, keep=0) for name in specs}
    player = Player(score, rig.wired, ports, clock(), clock, specs=specs, timing=rig.timing)
    recorded = player.record({}) if tape else None
    player.command(say("start"), clock())
    end = clock() + round(seconds * 1e9)
    while (now := clock()) < end:
        due = player.step(now)
        player.outputs.sent.clear()
        if recorded is not None and (batch := recorded.batch(now)) is not None:
            json.dumps(batch, default=bytes.hex)  # as it goes to the process that writes it
        wait = due - clock()
        if wait > 0:
            time.sleep(wait / 1e9)
    player.command(say("stop"), clock())
    return player.outputs.lateness


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("which", nargs="*", metavar="WHICH")
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    given = parser.parse_args()
    parts: dict[str, Callable[[], list[str]]] = {
        "export": lambda: export(given.minutes),
        "again": lambda: again(given.minutes),
        "memory": lambda: memory(given.hours),
        "late": lambda: late(given.seconds),
    }
    for which in given.which or parts:
        print("\n".join(parts[which]()), end="\n\n", flush=True)


if __name__ == "__main__":
    main()
