"""How late events leave, measured beside other ways of doing it, on the same machine in one run.

    python tests/bench/bench_player.py [--seconds 20] [--out FOLDER] [--no-realtime]

The whole program plays as `stage` says, on the simulated port and under load. At the same time runs
a bare C timer loop (``cyclictest``) at the player's priority, the limit of the machine. Under the
same load follow a playback loop of a general MIDI library (``mido``) and an asyncio timer per
event, both over the same events.

Prints a table and writes ``lateness.svg``, the share of events that leave later than a time. Needs
cyclictest and root (or the rights) for real-time priority; ``--no-realtime`` takes that right away
from the player and runs the timer loop without it.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import re
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from others import PERIOD_US, Bare, by_role, events_file  # noqa: E402
from stage import Stage, busy, cpu_seconds, percentile, stage, table  # noqa: E402

BYTE_US = 320  # one byte on a DIN link (MIDI 1.0 Detailed Specification 4.2.1, p. 1)


class Ours(NamedTuple):
    """Errors of the hits in us; hits lost and out of order; share of a core; (us, count) of every
    message that had a deadline, by the player's own count; its worst since it began, in us."""

    errors: list[float]
    lost: int
    wrong: int
    cpu: float
    own: list[tuple[float, int]]
    worst_us: float


def ours(on: Stage, seconds: float) -> Ours:
    """Error of every hit: when its note-on left, by the port's log, less its deadline."""
    from bridge.files.rig import load_rig
    from bridge.player.frames import pack_json
    from bridge.supervisor.watch import Watch

    rig = load_rig(on.folder / "rig.yaml")
    document = on.folder / "set.yaml"
    outs = dict(re.findall(r"^  (\w+): .*out: ([\w.-]+)", document.read_text(), re.M))
    notes = {lane: rig.wired[out] for lane, out in outs.items()}
    watch = Watch()
    due: list[tuple[int, str]] = []
    take = watch._take

    def keep(kind: str, payload: bytes) -> None:
        if b'"played"' in payload[:40]:
            for _, lane, what, *_, at in json.loads(payload)["events"]:
                if what == "hit":
                    due.append((at, lane))
        take(kind, payload)

    watch._take = keep  # type: ignore[method-assign]
    first = on.state()
    pid = first["player"]["pid"]
    cpu, begin = cpu_seconds(pid), time.monotonic()
    watch.connect(on.socket, time.monotonic_ns())
    assert watch.sock is not None
    watch.sock.sendall(pack_json({"do": "frames", "ms": 100, "what": ["events"]}))
    while time.monotonic() < begin + seconds:
        watch.read(time.monotonic_ns())
        watch.notes.clear()
        time.sleep(0.02)
    used = (cpu_seconds(pid) - cpu) / (time.monotonic() - begin)
    watch.close()
    time.sleep(0.6)
    told = on.state()["lateness"]
    sent: dict[tuple[str, int], list[int]] = defaultdict(list)
    for line in on.log.read_text().splitlines():
        ns, _, port, data = line.split()
        if data.startswith("99"):
            sent[port, int(data[2:4], 16)].append(int(ns))
    errors, lost, after = [], 0, dict.fromkeys(sent, 0)
    left: dict[str, list[int]] = defaultdict(list)
    for at, lane in sorted(due):
        wired = notes[lane]
        key = (wired.port, wired.output.address.number or 0)
        stamps = sent[key]
        place = after[key]
        while place < len(stamps) and stamps[place] < at - 200_000:
            place += 1
        if place == len(stamps) or stamps[place] > at + 50_000_000:
            lost += 1
            continue
        errors.append(max(0, stamps[place] - at) / 1000)
        left[wired.port].append(stamps[place])
        after[key] = place + 1
    # Hits were taken by deadline, so on each port their stamps must rise (those that fall together
    # may stand in any order among themselves: 2 ms).
    wrong = sum(
        two < one - 2_000_000 for stamps in left.values() for one, two in itertools.pairwise(stamps)
    )
    before = dict(map(tuple, first["lateness"]["histogram"]))
    own = [(upper, count - before.get(upper, 0)) for upper, count in told["histogram"]]
    return Ours(errors, lost, wrong, used, own, told["worst_us"])


def own_percentile(own: list[tuple[float, int]], share: float) -> float:
    """Upper edge of the bucket: at most 19 % too high."""
    wanted = share * sum(count for _, count in own)
    for upper, count in own:
        wanted -= count
        if wanted <= 0:
            return upper
    return own[-1][0]


def draw(path: Path, ways: dict[str, list[float]]) -> None:
    import matplotlib as mpl

    mpl.use("svg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(figsize=(8, 4.5))
    for name, values in ways.items():
        ordered = sorted(max(1.0, value) for value in values)
        count = len(ordered)
        axes.step(ordered, [(count - n) / count for n in range(count)], where="post", label=name)
    axes.axvline(320, color="grey", linestyle=":", linewidth=1)
    axes.text(300, 1.5e-3, "one byte on a DIN link", rotation=90, ha="right", color="grey")
    axes.set(
        xscale="log",
        yscale="log",
        xlabel="later than (microseconds)",
        ylabel="share of events",
        xlim=(1, None),
        ylim=(1e-3, 1.2),
    )
    axes.grid(visible=True, which="major", alpha=0.3)
    axes.legend()
    figure.tight_layout()
    figure.savefig(path)


def measure(seconds: float, out: Path, realtime: bool = True) -> list[str]:
    """Lines of Markdown; draws into `out`."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with stage(folder, realtime=realtime) as on, busy():
            bare = Bare(seconds, realtime)
            mine = ours(on, seconds)
            ways = {"this player, hits": mine.errors, "bare C timer loop": bare.latencies()}
            counts = on.counts()
            events = events_file(folder, min(seconds, 20.0))
            ways["mido play loop"] = by_role("mido", events)
            ways["asyncio timers"] = by_role("timers", events)
    ways = {name: sorted(values) for name, values in ways.items() if values}
    best = percentile(ways["this player, hits"], 0.99)
    rows: list[list[object]] = []
    for label, values in ways.items():
        cells = [percentile(values, share) for share in (0.5, 0.99, 0.999)]
        rows.append(
            [
                label,
                len(values),
                *(f"{cell:.0f}" for cell in (*cells, values[-1])),
                f"{cells[1] / best:.1f}x",
            ]
        )
    every = [own_percentile(mine.own, share) for share in (0.5, 0.99, 0.999, 1)]
    rows.insert(
        1,
        [
            "this player, every message",
            sum(count for _, count in mine.own),
            *(f"{value:.0f}" for value in every),
            f"{every[1] / best:.1f}x",
        ],
    )
    priority = "real-time priority" if realtime else "real-time priority refused"
    name = "lateness.svg" if realtime else "lateness-refused.svg"
    out.mkdir(parents=True, exist_ok=True)
    draw(out / name, ways)
    lines = [f"How late events leave, in microseconds; {priority}:", ""]
    lines += table(["way", "events", "p50", "p99", "p99.9", "worst", "p99 against ours"], rows)
    lines += [
        "",
        f"Lost {mine.lost}, out of order {mine.wrong} of {len(mine.errors)} hits. "
        f"p99 is {best / BYTE_US:.2f} of one DIN byte ({BYTE_US} us)",
    ]
    if "bare C timer loop" in ways:
        c = ways["bare C timer loop"]
        lines[-1] += (
            f", {best / percentile(c, 0.99):.2f} times that of the bare loop ({PERIOD_US} us "
            "period, same priority, at the same time); p99.9 "
            f"{percentile(ways['this player, hits'], 0.999) / percentile(c, 0.999):.2f} times"
        )
    lines[-1] += f". The player took {mine.cpu * 100:.0f} % of one core."
    lines.append(
        f"Of the moves of three page clients {counts.get('done', 0)} were done and "
        f"{counts.get('refused', 0)} refused; {counts.get('osc', 0)} OSC messages were sent."
    )
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--out", type=Path, default=Path("."))
    parser.add_argument("--no-realtime", action="store_true")
    given = parser.parse_args()
    print(f"{given.seconds:g} s, {os.cpu_count()} cores, all of them busy\n")
    print("\n".join(measure(given.seconds, given.out, not given.no_realtime)))


if __name__ == "__main__":
    main()
