"""How late hits leave while a set of 32 lanes is replaced again and again as it plays.

    python tests/bench/bench_swap.py [--seconds 20]

The whole program plays on the simulated port, with no other load. Stretches with a new text of the
set every half second take turns with stretches without, in one run: what the machine does besides
is the same in both. Every hit is counted, by the port's log less its deadline (`bench_player`).
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
import tempfile
import threading
import urllib.error
import urllib.request
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from bench_player import ours  # noqa: E402
from stage import Stage, percentile, stage, table  # noqa: E402

TURNS = 2
EVERY_S = 0.5
LATE_US = 1000.0

RIG = """\
rig: Bench
interfaces:
  one: {profile: eight-gates-four-cv, port: simulated}
  two: {profile: eight-gates-four-cv, port: simulated}
  three: {profile: eight-gates-four-cv, port: simulated}
"""


def text(turn: int) -> str:
    """32 lanes: 24 of hits on every gate, a third of them derived; 4 of notes and 4 shapes. Each
    turn has other patterns and one more lane, or one less."""
    lanes = []
    for n in range(24):
        out = f"{('one', 'two', 'three')[n // 8]}.gate-{1 + n % 8}"
        if n % 3 == 2:
            what = f'logic: "h{n - 1} and not h{n - 2}"'
        else:
            what = f"euclid: {{hits: {3 + (n + turn) % 7}, steps: 16, rotate: {n % 5}}}"
        lanes.append(f"  h{n}: {{{what}, out: {out}}}")
    for n in range(4):
        port = ("one", "two")[n // 2]
        lanes += [
            f"  n{n}: {{notes: [A1, C2, E2], advance: h{3 * n}, out: {port}.pitch-{1 + n % 2}}}",
            f"  v{n}: {{shape: sine, rate: {1 + n}/2, out: {port}.level-{1 + n % 2}}}",
        ]
    if turn % 2:
        lanes.append("  extra: {levels: [0, 1], rate: 1/4}")
    return "set: Bench\ntempo: 133.33\nseed: 3\nlanes:\n" + "\n".join(lanes) + "\n"


def swap(on: Stage, turn: int) -> bool:
    """Whether it was taken."""
    body = json.dumps({"text": text(turn), "when": "step"}).encode()
    request = urllib.request.Request(
        f"http://127.0.0.1:{on.http}/api/set",
        body,
        {"Content-Type": "application/json"},
        method="PUT",
    )
    try:
        with urllib.request.urlopen(request, timeout=30):
            return True
    except urllib.error.HTTPError as refused:
        if refused.code != 503:  # a text at a time: the one before is still being read
            raise
        return False


def measure(seconds: float) -> list[str]:
    """Lines of Markdown."""
    errors: dict[bool, list[float]] = {False: [], True: []}
    lost, swaps, turns = 0, 0, itertools.count(1)
    with (
        tempfile.TemporaryDirectory() as name,
        stage(Path(name), loaded=False, document=text(0), rig=RIG) as on,
    ):
        for swapping in (False, True) * TURNS:
            done = threading.Event()

            def keep_swapping(done: threading.Event = done) -> None:
                nonlocal swaps
                while not done.wait(EVERY_S):
                    swaps += swap(on, next(turns))

            hand = threading.Thread(target=keep_swapping)
            if swapping:
                hand.start()
            found = ours(on, seconds / TURNS / 2)
            done.set()
            if swapping:
                hand.join()
            errors[swapping] += found.errors
            lost += found.lost
    rows = []
    for swapping, late in errors.items():
        late.sort()
        rows.append(
            [
                f"{swaps} swaps" if swapping else "no swap",
                len(late),
                *(f"{percentile(late, share):.0f} us" for share in (0.5, 0.99, 0.999)),
                f"{late[-1]:.0f} us",
                sum(error > LATE_US for error in late),
            ]
        )
    head = ["", "hits", "p50", "p99", "p99.9", "worst", "later than 1 ms"]
    return [
        "Hits of 32 lanes while the set is replaced as it plays:",
        "",
        *table(head, rows),
        "",
        f"Lost: {lost}.",
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0)
    print("\n".join(measure(parser.parse_args().seconds)))


if __name__ == "__main__":
    main()
