"""How sure listening is: faults in racks of eight voices, and where sounds begin.

    python tests/bench/bench_ears.py [--racks 100]

The suite does a quarter of it; here are as many racks as told, and the errors of onsets by attack and noise.
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

from bridge.listen.onset import first_onset  # noqa: E402

LEVEL_DB = -10.0


def onset_errors(attack_ms: float, noise_db: float, seeds: int) -> tuple[int, list[float], int]:
    """Hits of every kind of voice at -10 dB, how many ms those are off that are sure, and how many
    were not heard. Hum is as loud as the noise."""
    hits, off, missed = 0, [], 0
    for kind in KINDS:
        for seed in range(seeds):
            hits += 1
            one = replace(drum(kind, seed), attack_ms=attack_ms, level=10 ** (LEVEL_DB / 20))
            chance = np.random.default_rng([seed, 7])
            sound = room(round(0.6 * RATE), RATE, chance, noise_db, noise_db)
            begin, quiet = round(0.2 * RATE), round(0.15 * RATE)
            voice = one.hit(0, RATE, 0.35)
            sound[begin : begin + len(voice)] += voice
            found = first_onset(sound, RATE, quiet)
            missed += found is None
            if found is not None and found.sure:
                true = begin + round(one.latency_ms * RATE / 1e3)
                off.append(abs(found.at - true) / RATE * 1e3)
    return hits, off, missed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--racks", type=int, default=100)
    parser.add_argument("--seeds", type=int, default=10, help="voices of each kind")
    told = parser.parse_args()
    racks = told.racks
    results = [judged(seed) for seed in range(racks)]
    bad = sum(bool(missed) for missed, _ in results)
    alarms = sum(len(alarms) for _, alarms in results)
    print(f"racks with a wrong, a dead and two swapped cables: {racks - bad} of {racks} found")
    print(f"false alarms among the {4 * racks} voices that were right: {alarms}")
    print(
        "onsets, peak over noise (and hum): sure of how many, median and worst ms of those, unheard"
    )
    for attack_ms in (0.0, 2.0, 5.0, 10.0, 20.0):
        for over_db in (40, 36, 30, 27, 24, 21, 18):
            hits, off, missed = onset_errors(attack_ms, LEVEL_DB - over_db, told.seeds)
            print(
                f"  attack {attack_ms:4g} ms  {over_db} dB  {len(off):4} of {hits}"
                f"  {np.median(off or [0]):5.2f}  {max(off, default=0):5.2f}  {missed}",
                flush=True,
            )


if __name__ == "__main__":
    main()
