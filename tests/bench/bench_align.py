"""How sure `lanebridge align --click` is over JACK: several runs, and what the rack then plays.

    python tests/bench/bench_align.py [--runs 10] [--periods 256] [--how frame]

A rack of two drums (with `--voices 4` four, 0 to 12 ms late) and a host, each a JACK client of its
own, on the dummy driver. Each run proposes latencies and an offset from nothing. What they should be
follows from the clients: the rim is 7 ms later than the kick, the block 12, the bell 3.4, and the
click is 20 ms later than the clock. `apart` is how far the voices would still be from each other
with what was proposed.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

from support import jackd  # noqa: E402
from support.drums import Drum  # noqa: E402
from support.jack_align import CLICK_MS, align  # noqa: E402

LATER_MS = (0.0, 7.0, 12.0, 3.4)
FIRST_MS = 2.0
KINDS = (("click", 2500.0, 12.0), ("rim", 450.0, 60.0), ("rim", 800.0, 40.0), ("rim", 1500.0, 90.0))
DRUMS = [
    Drum(kind, hertz, decay_ms, 0.3, FIRST_MS + later)
    for (kind, hertz, decay_ms), later in zip(KINDS, LATER_MS, strict=True)
]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--periods", type=int, nargs="+", default=[256])
    parser.add_argument("--how", choices=("frame", "block"), default="frame")
    parser.add_argument("--voices", type=int, choices=(2, 3, 4), default=2)
    parser.add_argument("--hits", type=int, default=12)
    parser.add_argument("--seconds", type=int, default=10)
    parser.add_argument("--words", action="store_true", help="all that was said")
    told = parser.parse_args()
    for period in told.periods:
        for run in range(told.runs):
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                with jackd.server(f"lba{os.getpid()}", folder, period) as env:
                    found = align(
                        env,
                        folder,
                        DRUMS[: told.voices],
                        {"hits": told.hits, "seconds": told.seconds},
                        how=told.how,
                    )
            late = found.late_ms
            words = [row for row in found.said.splitlines() if "lost" in row or "no offset" in row]
            left = [ms - true for ms, true in zip(late, LATER_MS, strict=False)]
            apart = max(left) - min(left) if len(late) == told.voices else float("nan")
            grid = float("nan") if found.click_ms is None else found.click_ms
            print(
                f"{period:5} {told.how} {run:2}: late {late}, apart {apart:.2f}, "
                f"click {grid:.2f} after the clock (true {CLICK_MS:g}) "
                f"{'late server; ' * found.disturbed}{'; '.join(words)}",
                flush=True,
            )
            if told.words:
                print(found.said)


if __name__ == "__main__":
    main()
