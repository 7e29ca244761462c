"""How steady the followed clock is, how soon it follows, and what it costs.

    python tests/bench/bench_follower.py [--seeds N]

Stamps come from `support.clocks`, at 128 bpm: half of a normal 1 ms, 1 ms frames, frames behind a
late sender, a scheduler with late tails. The same stamps go through a delay-locked loop of second
order at three bandwidths (update as in tests/reference/timing.yaml, dll_update and
dll_coefficients: Adriaensen, Linux Audio Conference 2005), for what a fixed loop makes of them.

- ratio: standard deviation of the stamps over that of the predictions one clock ahead, settled;
- bias: mean of the predictions against the true times;
- clocks: after a jump of 10 bpm, clocks until every prediction is within 3 ms, worst of all seeds;
- cost: CPU time of one `pulse`, mean and worst.

A second table is of hosts that send from their audio callback (`support.hosts`), 20 tempos from 40 to
300 bpm for each size of block, without the loops: settled (share of the tempos that stay within 1 ms,
2 ms at 2048 frames, of a constant from 4 s on), how far the prediction is from the true time then
(median of the tempos' worst), and the cost.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent.parent)]

from support.clocks import (  # noqa: E402
    MODELS,
    MS,
    Heard,
    Late,
    clock,
    deviation,
    period,
    rough_frames,
    stamps,
    steady,
)
from support.hosts import FRAMES, block_ns, host  # noqa: E402

from bridge.clock.follower import Follower  # noqa: E402

BPM = 128
COUNT, SETTLED = 2400, 1000
WITHIN_MS = 3.0
LOOPS_HZ = (0.2, 0.5, 2.0)
LINKS: dict[str, Late] = {**MODELS, "frames, late sender": rough_frames}


class Steadiness(NamedTuple):
    """Means over the seeds, and the worst of them."""

    ratio: float
    least: float
    bias_ms: float
    worst_ms: float


def loop(arrivals: Sequence[int], hz: float) -> list[float]:
    """Predicted time of the next clock after each stamp, by a fixed loop of `hz`."""
    omega = 2 * math.pi * hz * period(BPM) / 1e9
    b, c = math.sqrt(2) * omega, omega * omega
    due, step = arrivals[0] + period(BPM), period(BPM)
    out = [due]
    for ns in arrivals[1:]:
        error = ns - due
        due += b * error + step
        step += c * error
        out.append(due)
    return out


def follow(arrivals: Sequence[int]) -> list[float]:
    return [float(guess) for _, guess in Heard().feed(arrivals).next]


def steadiness(late: Late, seeds: int, hz: float | None = None) -> Steadiness:
    ratios, biases, worst = [], [], 0.0
    times = steady(BPM, COUNT)
    for seed in range(seeds):
        arrivals = stamps(times, late, seed)
        guesses = follow(arrivals) if hz is None else loop(arrivals, hz)
        errors = [
            (g - t) / MS for g, t in zip(guesses[SETTLED:], times[SETTLED + 1 :], strict=False)
        ]
        raw = [(a - t) / MS for a, t in zip(arrivals[SETTLED:], times[SETTLED:], strict=True)]
        ratios.append(deviation(raw) / max(deviation(errors), 1e-6))
        biases.append(statistics.fmean(errors))
        worst = max(worst, *map(abs, errors))
    return Steadiness(statistics.fmean(ratios), min(ratios), max(biases, key=abs), worst)


def clocks_to_follow(late: Late, seed: int, after: float, hz: float | None = None) -> int:
    before, then = 600, 300
    times = clock([BPM] * (before - 1) + [after] * then)
    arrivals = stamps(times, late, seed)
    guesses = follow(arrivals) if hz is None else loop(arrivals, hz)
    bad = [
        i
        for i, (g, t) in enumerate(zip(guesses[before - 1 :], times[before:], strict=False), 1)
        if abs(g - t) > WITHIN_MS * MS
    ]
    return bad[-1] if bad else 0


def worst_jump(late: Late, seeds: int, hz: float | None = None) -> int:
    """Over both directions and all seeds."""
    return max(
        clocks_to_follow(late, seed, after, hz)
        for after in (BPM - 10, BPM + 10)
        for seed in range(seeds)
    )


def cost_us(late: Late) -> tuple[float, float]:
    """CPU time of one pulse in us, mean and largest. Each pulse counts with the least of three
    runs, so that what else the computer did is left out."""
    return cost_of(stamps(steady(BPM, 20_000), late, 1))


def cost_of(arrivals: Sequence[int]) -> tuple[float, float]:
    """The same for these stamps."""
    runs = []
    for _ in range(3):
        follower = Follower()
        spent = []
        for ns in arrivals:
            begin = time.thread_time_ns()
            follower.pulse(ns)
            spent.append(time.thread_time_ns() - begin)
        runs.append(spent)
    least = [min(costs) / 1000 for costs in zip(*runs, strict=True)]
    return statistics.fmean(least), max(least)


def table(seeds: int) -> list[str]:
    lines = [
        f"{'link':<20} {'by':<12} {'ratio':>8} {'least':>8} {'bias':>9} {'worst':>9} "
        f"{'clocks':>7} {'cost':>16}"
    ]
    for name, late in LINKS.items():
        for hz in (None, *LOOPS_HZ):
            made = steadiness(late, min(seeds, 8), hz)
            clocks = worst_jump(late, seeds if hz is None else min(seeds, 8), hz)
            who = "follower" if hz is None else f"loop {hz:g} Hz"
            cost = "{:.0f} / {:.0f} us".format(*cost_us(late)) if hz is None else ""
            lines.append(
                f"{name:<20} {who:<12} {_times(made.ratio):>8} {_times(made.least):>8} "
                f"{made.bias_ms:>+6.3f} ms {made.worst_ms:>6.3f} ms {clocks:>7} {cost:>16}"
            )
    return lines


def blocks_table(rate: int = 44_100) -> list[str]:
    lines = [f"{'blocks at 44.1 kHz':<20} {'settled':>8} {'off':>9} {'cost':>16}"]
    for frames in FRAMES:
        block = block_ns(frames, rate)
        limit = 2.0 if frames == 2048 else 1.0
        settled, off = 0, []
        for seed in range(20):
            bpm = 40 + 13 * (seed + random.Random(frames + seed).random())
            times = steady(bpm, int(12 * bpm * 0.4))
            guesses = follow(host(times, block, seed))
            first = int(4 * bpm * 0.4)
            errors = [
                (g - t) / MS for g, t in zip(guesses[first:], times[first + 1 :], strict=False)
            ]
            settled += (max(errors) - min(errors)) / 2 < limit
            off.append(max(map(abs, errors)))
        cost = "{:.0f} / {:.0f} us".format(*cost_of(host(steady(BPM, 20_000), block, 1)))
        lines.append(
            f"{f'{frames} frames':<20} {settled / 20:>8.0%} {statistics.median(off):>6.3f} ms "
            f"{cost:>16}"
        )
    return lines


def _times(ratio: float) -> str:
    return f"{ratio:.1f}x"


def main() -> None:
    parser = argparse.ArgumentParser(description="Benchmark of the clock follower")
    parser.add_argument("--seeds", type=int, default=40)
    print("\n".join([*table(parser.parse_args().seeds), "", *blocks_table()]))


if __name__ == "__main__":
    main()
