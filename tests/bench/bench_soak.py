"""A long night: what grows, and what gets late.

    python tests/bench/bench_soak.py [--musical-hours 8] [--minutes 60]

Two parts. The player alone on a clock that jumps, so that hours of the demo take minutes, with hands
on it every two seconds: its memory and its objects at every eighth, and gates that are left open when
it has stopped. Then the whole program in real time with three pages and somebody who edits, mutes and
undoes all the time: memory (proportional set size), open files and threads of each process, and the
lateness of each eighth.
"""

from __future__ import annotations

import argparse
import gc
import itertools
import json
import os
import random
import resource
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1]), str(HERE.parents[2])]

from bench_light import named  # noqa: E402
from bench_slow import pages  # noqa: E402
from stage import Stage, stage, table  # noqa: E402
from support.said import say  # noqa: E402

DEMO = HERE.parents[2] / "bridge" / "demo"
PARTS = 8
HAND_NS = 2_000_000_000
PAGES = 3


# --- on a clock that jumps ------------------------------------------------------------------------


class Counting:
    """A port that counts, and knows which gates are open."""

    name = "counting"

    def __init__(self) -> None:
        self.count = 0
        self.open: set[tuple[int, int]] = set()

    def send(self, data: bytes) -> None:
        self.count += 1
        if data[0] & 0xE0 == 0x80:
            key = data[0] & 0x0F, data[1]
            if data[0] & 0x10 and data[2]:
                self.open.add(key)
            else:
                self.open.discard(key)

    def close(self) -> None:
        pass

    def alive(self) -> bool:
        return True

    def reopen(self) -> bool:
        return True


def hand(chance: random.Random, lanes: Sequence[str], macros: Sequence[str]) -> dict[str, Any]:
    if chance.random() < 0.5:
        return {"do": "mute", "lane": chance.choice(lanes), "muted": chance.random() < 0.3}
    return {"do": "macro", "macro": chance.choice(macros), "value": round(chance.random(), 3)}


def rss_mb() -> float:
    pages_held = int(Path("/proc/self/statm").read_text().split()[1])
    return pages_held * resource.getpagesize() / 2**20


def jumping(hours: float) -> list[str]:
    """Lines of Markdown."""
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.music.score import compile_score
    from bridge.player.dispatch import Player

    rig = load_rig(DEMO / "rig.yaml")
    spec = load_set(DEMO / "set.yaml", rig).spec
    score = compile_score(spec, rig.ranges)
    ports = {wired.port: Counting() for wired in rig.wired.values()}
    now, chance, rows = 10**10, random.Random(1), []
    player = Player(score, rig.wired, ports, now, lambda: now)
    player.command(say("start"), now)
    lanes, macros = [lane.name for lane in spec.lanes], [macro.name for macro in spec.macros]
    begin, started, next_hand = now, time.monotonic(), now + HAND_NS
    for part in range(1, PARTS + 1):
        until = begin + round(hours * 3600e9 * part / PARTS)
        while now < until:
            if now >= next_hand:
                next_hand += HAND_NS
                given = hand(chance, lanes, macros)
                player.command(say(given.pop("do"), **given), now, client="page 1")
            now = min(max(player.step(now), now + 1), until, next_hand)
            player.sender.played.clear()
            player.outputs.sent.clear()
        gc.collect()
        sent = sum(port.count for port in ports.values())
        rows.append([f"{hours * part / PARTS:g} h", sent, f"{rss_mb():.1f}", len(gc.get_objects())])
        print(rows[-1], file=sys.stderr, flush=True)
    player.command(say("stop"), now)
    player.step(now + 10**9)
    left = sum(len(port.open) for port in ports.values())
    return [
        f"{hours:g} hours of the demo on a clock that jumps, {time.monotonic() - started:.0f} s:",
        "",
        *table(["musical time", "messages", "memory, MB", "objects"], rows),
        "",
        f"Gates open after the stop: {left}.",
    ]


# --- in real time -----------------------------------------------------------------------------------


def ask(on: Stage, method: str, path: str, body: Any) -> None:
    url = f"http://127.0.0.1:{on.http}{path}"
    headers = {"Content-Type": "application/json"}
    request = urllib.request.Request(url, json.dumps(body).encode(), headers, method=method)
    try:
        urllib.request.urlopen(request, timeout=30).close()
    except urllib.error.HTTPError as refused:
        refused.close()  # nothing to undo, another hand: the night goes on


def somebody(on: Stage, chance: random.Random, texts: Any) -> None:
    lane = chance.choice(list(on.state()["lanes"]))
    ask(on, "PUT", f"/api/lanes/{lane}/mute", {"muted": chance.random() < 0.3})
    ask(on, "PUT", f"/api/macros/{chance.choice('abc')}", {"value": round(chance.random(), 3)})
    ask(on, "PUT", "/api/set", {"text": next(texts), "when": "step"})
    ask(on, "POST", "/api/undo", {})


def held(pid: int) -> tuple[float, float, int, int]:
    """Memory in MB, that part of it which is no file's, open files, threads.

    What a program shares with others counts less for each the more of them run, so the whole may
    rise and fall with what else runs on the computer. What is no file's is its own.
    """
    text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    rows = dict(line.split(":", 1) for line in text.splitlines()[1:])
    pss, own = (int(rows[row].split()[0]) / 1024 for row in ("Pss", "Pss_Anon"))
    return pss, own, len(os.listdir(f"/proc/{pid}/fd")), len(os.listdir(f"/proc/{pid}/task"))


def own_of(cell: object) -> float:
    return float(str(cell).split(" / ")[1])


def real(minutes: float) -> list[str]:
    """Lines of Markdown."""
    from stage import SET

    rows: list[list[object]] = []
    chance, texts = random.Random(1), itertools.cycle([SET.replace("seed: 3", "seed: 4"), SET])
    with (
        tempfile.TemporaryDirectory() as name,
        stage(Path(name), loaded=False) as on,
        pages(on.http, PAGES),
    ):
        time.sleep(40)
        family = named(on.pid, int(on.state()["player"]["pid"]))
        begin = time.monotonic()
        for part in range(PARTS + 1):
            while time.monotonic() < begin + minutes * 60 * part / PARTS:
                somebody(on, chance, texts)
                time.sleep(1.0)
            late = on.state()["lateness"]
            cells = [
                f"{memory:.1f} / {own:.1f} / {files} / {threads}"
                for memory, own, files, threads in map(held, family.values())
            ]
            rows.append([f"{minutes * part / PARTS:.1f} min", *cells, late["p99_us"]])
            print(rows[-1], file=sys.stderr, flush=True)
        same = named(on.pid, int(on.state()["player"]["pid"])) == family
    grew = [
        f"{who} {(own_of(rows[PARTS][at]) - own_of(rows[PARTS // 2][at])) / (minutes / 2):+.3f}"
        for at, who in enumerate(family, 1)
    ]
    head = ["", *(f"{who}: MB / own MB / files / threads" for who in family), "p99 late, us"]
    return [
        f"{minutes:g} minutes in real time, {PAGES} pages, a hand each second:",
        "",
        *table(head, rows),
        "",
        f"Own memory in the second half, MB a minute: {', '.join(grew)}. The processes are "
        f"{'the same' if same else 'not the same'}.",
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--musical-hours", type=float, default=8.0)
    parser.add_argument("--minutes", type=float, default=60.0)
    given = parser.parse_args()
    if given.musical_hours:
        print("\n".join(jumping(given.musical_hours)))
    if given.minutes:
        print("\n".join(real(given.minutes)))


if __name__ == "__main__":
    main()
