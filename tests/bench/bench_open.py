"""What it costs to open a set: reading, checking, compiling, and weighing what it will play.

    python tests/bench/bench_open.py

CPU time, the least of several runs, for the demo's set and for one of 128 lanes. The ratio is to
one reading of the same text by the YAML library's parser in Python, in the same run: a figure that
says the same on a busy machine as on a fast one.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import yaml

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

from bridge.files.rig import load_rig  # noqa: E402
from bridge.session.texts import weighed  # noqa: E402

DEMO = ROOT / "bridge" / "demo"
TIMES = 9
LANES = 128


def cpu_ms(work: Callable[[], object]) -> float:
    """The least CPU time of several runs, in milliseconds."""
    found = []
    for _ in range(TIMES):
        before = time.process_time()
        work()
        found.append(time.process_time() - before)
    return min(found) * 1000


def main() -> None:
    rig = load_rig(DEMO / "rig.yaml")
    lanes = "".join(
        f"  l{n}: {{euclid: {{hits: {n % 9}, steps: 16}}, chance: 0.5}}  # lane {n}\n"
        for n in range(LANES)
    )
    texts = {
        "the demo": (DEMO / "set.yaml").read_text(encoding="utf-8"),
        f"{LANES} lanes": f"set: Crowd\nlanes:\n{lanes}",
    }
    for name, text in texts.items():
        opened = cpu_ms(lambda text=text: weighed(rig, text, Path("set.yaml"), 0))  # type: ignore[misc]
        yardstick = cpu_ms(lambda text=text: list(yaml.parse(text, Loader=yaml.SafeLoader)))  # type: ignore[misc]
        ratio = opened / yardstick
        print(f"{name:10}  opened in {opened:6.1f} ms of CPU, {ratio:.2f} readings of its text")


if __name__ == "__main__":
    main()
