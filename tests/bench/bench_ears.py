"""How sure listening is: faults in racks of eight voices, and where sounds begin.

    python tests/bench/bench_ears.py [--racks 100]

The suite does a quarter of it; here are as many racks as told, and the errors of onsets by level.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

from support.drums import KINDS, RATE, drum, room  # noqa: E402
from support.racks import judged  # noqa: E402

from bridge.listen.onset import first_onset, floor_of  # noqa: E402


def onset_errors(attack_ms: float, level: float, seeds: int = 20) -> tuple[list[float], int]:
    """Ms by which onsets are off, of every kind of voice, and how many were not heard."""
    off, missed = [], 0
    for kind in KINDS:
        for seed in range(seeds):
            one = replace(drum(kind, seed), attack_ms=attack_ms, level=level)
            chance = np.random.default_rng([seed, 7])
            sound = room(round(0.9 * RATE), RATE, chance)
            begin, quiet = round(0.3 * RATE), round(0.25 * RATE)
            voice = one.hit(0, RATE, 0.5)
            sound[begin : begin + len(voice)] += voice
            found = first_onset(sound, RATE, floor_of(sound[:quiet], RATE), quiet)
            if found is None:
                missed += 1
            else:
                true = begin + round(one.latency_ms * RATE / 1e3)
                off.append(abs(found.at - true) / RATE * 1e3)
    return off, missed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--racks", type=int, default=100)
    racks = parser.parse_args().racks
    results = [judged(seed) for seed in range(racks)]
    bad = sum(bool(missed) for missed, _ in results)
    alarms = sum(len(alarms) for _, alarms in results)
    print(f"racks with a wrong, a dead and two swapped cables: {racks - bad} of {racks} found")
    print(f"false alarms among the {4 * racks} voices that were right: {alarms}")
    print("onsets, hum and noise at -50 dB: attack, level, median ms, 95 of 100, worst, not heard")
    for attack_ms in (0.0, 5.0):
        for level in (0.5, 0.3, 0.1):
            off, missed = onset_errors(attack_ms, level)
            print(
                f"  {attack_ms:g} ms  {20 * np.log10(level):4.0f} dB  {np.median(off):6.3f}"
                f"  {np.percentile(off, 95):6.3f}  {max(off):6.3f}  {missed}"
            )


if __name__ == "__main__":
    main()
