"""The whole program on a quarter of a core: what is lost and late when the board is small.

    python tests/bench/bench_slow.py [--seconds 20] [--share 0.25]

Everything that the program starts is bound to one core. There, at a higher priority than the player
may ask for, another process takes three quarters of each millisecond, so that what is left comes in
slices of a quarter of a millisecond: a processor four times slower, whose time comes in pieces. The
same again in slices of a whole millisecond, with 3 ms taken in one piece between them, which is the
surest that a hit can be then. Two pages look on with six bars of chart each. Hits are judged by the
log of the simulated port. Beside them a bare timer loop in C runs on the same core, at the player's
priority: what is due while the core is taken away cannot leave before it comes back, and the loop
says how late that makes a program which does nothing else.

What this shows: whether there is time enough, and what happens when there is little. What it cannot
show: the caches, the memory, the USB and the kernel of a real board, or its heat.

Needs root (or the rights) for real-time priority, and two cores.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import itertools
import json
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from bench_player import ours  # noqa: E402
from others import Bare  # noqa: E402
from stage import percentile, stage, table  # noqa: E402

LANES = (12, 16, 32)
PAGES, BARS = 2, 6
SLICES_MS = (0.25, 1.0)
BARE_US = 4_130  # in step with no slice, so that each part of one is met as often
ABOVE = 98  # of SCHED_FIFO: above the player's
HOG = """
import os, sys, time
core, share, period = int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
os.sched_setaffinity(0, {core})
os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(int(sys.argv[4])))
print("ready", flush=True)
begin = time.monotonic()
while True:
    begin = max(begin + period, time.monotonic() - period)
    while time.monotonic() < begin + share * period:
        pass
    time.sleep(max(0.0, begin + period - time.monotonic()))
"""


def document(lanes: int) -> str:
    """A set of so many lanes: two thirds gates, the others notes and slow waves."""
    rows, levels = [], max(2, lanes // 6)
    notes = max(2, lanes // 6)
    gates = lanes - notes - levels
    for n in range(gates):
        out = f"{('one', 'two', 'three')[n // 8]}.gate-{n % 8 + 1}"
        if n % 5 == 4:
            kind = f'logic: "gate{n - 1} xor gate{n - 3}"'
        else:
            kind = f"euclid: {{hits: {3 + n * 5 % 7}, steps: {(16, 13, 12)[n % 3]}}}"
        rows.append(f"  gate{n}: {{{kind}, out: {out}}}")
    for n in range(notes):
        out = f"{('one', 'two', 'three')[n // 2]}.pitch-{n % 2 + 1}"
        rows.append(f"  line{n}: {{notes: [A1, C2, E2, G1, D2], advance: gate{n}, out: {out}}}")
    for n in range(levels):
        out = f"{('one', 'two', 'three')[n // 2]}.level-{n % 2 + 1}"
        rows.append(f"  wave{n}: {{shape: sine, rate: {2 + n}/4, out: {out}}}")
    return "set: Slow board\ntempo: 132\nlanes:\n" + "\n".join(rows) + "\n"


@contextlib.contextmanager
def slow(core: int, share: float, slice_ms: float) -> Iterator[None]:
    """Leaves `share` of `core` to everybody else, in slices, until the block ends."""
    arguments = [str(core), str(1 - share), str(slice_ms / share / 1000), str(ABOVE)]
    hog = subprocess.Popen(
        [sys.executable, "-c", HOG, *arguments], stdout=subprocess.PIPE, text=True
    )
    try:
        if hog.stdout is None or hog.stdout.readline() != "ready\n":
            raise SystemExit("real-time priority was refused: this is for root")
        yield
    finally:
        hog.kill()
        hog.wait()


@contextlib.contextmanager
def pages(http: int, count: int = PAGES) -> Iterator[None]:
    """Viewers that read all they are sent, from another core."""
    import aiohttp

    async def view(session: aiohttp.ClientSession) -> None:
        async with session.ws_connect(f"http://127.0.0.1:{http}/api/live") as ws:
            await ws.send_json({"do": "chart", "bars": BARS, "seq": 1})
            async for message in ws:
                json.loads(message.data)

    async def all_of_them() -> None:
        async with aiohttp.ClientSession() as session:
            await asyncio.gather(*(view(session) for _ in range(count)))

    loop = asyncio.new_event_loop()
    work = loop.create_task(all_of_them())

    def run() -> None:
        with contextlib.suppress(asyncio.CancelledError):
            loop.run_until_complete(work)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        loop.call_soon_threadsafe(work.cancel)
        thread.join()
        loop.close()


def measure(seconds: float, share: float = 0.25) -> list[str]:
    """Lines of Markdown."""
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) < 2 or os.geteuid():
        return ["The slow board needs two cores and root: not measured."]
    board, here = cores[0], cores[-1]
    rows: list[list[object]] = []
    os.sched_setaffinity(0, {here})
    try:
        for slice_ms, lanes in itertools.product(SLICES_MS, LANES):
            with (
                tempfile.TemporaryDirectory() as name,
                slow(board, share, slice_ms),
                stage(
                    Path(name),
                    loaded=False,
                    document=document(lanes),
                    before=("taskset", "-c", str(board)),
                ) as on,
                pages(on.http),
            ):
                bare = Bare(seconds, realtime=True, core=board, period_us=BARE_US)
                mine = ours(on, seconds)
                loop = sorted(bare.latencies()) or [float("nan")]
            late = sorted(mine.errors) or [float("nan")]
            cells = [percentile(late, part) for part in (0.5, 0.99, 1)] + [percentile(loop, 0.99)]
            rows.append(
                [
                    f"{lanes} lanes, {PAGES} pages, slices of {slice_ms:g} ms",
                    len(mine.errors),
                    mine.lost,
                    mine.wrong,
                    *(f"{cell / 1000:.2f}" for cell in cells),
                    f"{mine.cpu * 100:.1f} %",
                ]
            )
    finally:
        os.sched_setaffinity(0, set(cores))
    head = ["", "hits", "lost", "reordered", "p50 ms", "p99 ms", "worst ms"]
    head += ["bare loop, p99 ms", "player, of the core"]
    says = f"The whole program on {share:.0%} of one core:"
    return [says, "", *table(head, rows)]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--share", type=float, default=0.25)
    given = parser.parse_args()
    print("\n".join(measure(given.seconds, given.share)))


if __name__ == "__main__":
    main()
