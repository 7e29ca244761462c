"""How far notes are off after tuning by ear, over JACK: a bent saw and a bent sine.

    python tests/bench/bench_tune.py [--runs 3]

Alone with noise at -50 dB, and with hum and another voice at -30 dB too. What each of 84 notes gives
then follows from what is kept and from the rack's own law (`support/jack_tune.py`).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

from support.jack_tune import BENT, BLEED, LEVEL, NOISE, rack, tuned, tuning  # noqa: E402

ALONE: dict[str, Any] = {"hiss": NOISE}
AROUND = {"alone": ALONE, "hum and bleed": {**ALONE, "hum": 0.003, "bleed": BLEED}}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=3)
    told = parser.parse_args()
    for wave in ("saw", "sine"):
        for around, more in AROUND.items():
            voice = {"wave": wave, "level": LEVEL, **BENT}
            for run in range(told.runs):
                with tempfile.TemporaryDirectory() as name:
                    folder = Path(name)
                    with rack(folder, {"pitched": {"16": voice}, **more}) as (env, _):
                        begin = time.monotonic()
                        tune = tuning(folder, env)
                        said = tune.communicate()[0]
                        seconds = time.monotonic() - begin
                    if tune.returncode:
                        print(f"{wave:4} {around:13} {run}: {said.splitlines()[-1]}", flush=True)
                        continue
                    off = tuned(folder)
                worst = max(off, key=lambda note: abs(off[note]))
                print(
                    f"{wave:4} {around:13} {run}: at worst {abs(off[worst]):.2f} cents (note "
                    f"{worst}), {seconds:.0f} s",
                    flush=True,
                )


if __name__ == "__main__":
    main()
