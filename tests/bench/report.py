"""All benchmarks in one report in Markdown: ``tests/bench/run [--quick] [--write README.md]``.

Prints the report, writes it and the drawings into a folder and says where. ``--write FILE`` also
puts it between the lines ``<!-- bench -->`` and ``<!-- /bench -->`` of a file. ``--quick`` takes
about a minute and a half and shows that everything runs; its tail percentiles rest on few events.
"""

from __future__ import annotations

import argparse
import datetime
import os
import platform
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

import bench_cost  # noqa: E402
import bench_finger  # noqa: E402
import bench_follower  # noqa: E402
import bench_light  # noqa: E402
import bench_page  # noqa: E402
import bench_player  # noqa: E402
import bench_slow  # noqa: E402
import bench_start  # noqa: E402
import bench_swap  # noqa: E402

BEGIN, END = "<!-- bench -->", "<!-- /bench -->"


def machine() -> str:
    """The computer in general words."""
    sound = "with" if Path("/proc/asound").exists() else "without"
    load = os.getloadavg()[0]
    return (
        f"{datetime.date.today():%d %B %Y}: {os.cpu_count()} cores ({platform.machine()}), Linux "
        f"{'.'.join(platform.release().split('.')[:2])} {sound} a sound system, Python "
        f"{platform.python_version()}, simulated ports; load average at the start {load:.1f}."
    )


def follower(seeds: int) -> list[str]:
    lines = ["The clock follower (ratio: jitter of the clock over that of the prediction):", ""]
    return [*lines, "```text", *(line.rstrip() for line in bench_follower.table(seeds)), "```"]


def parts(quick: bool, out: Path) -> list[Callable[[], list[str]]]:
    seconds = 6.0 if quick else 60.0
    return [
        lambda: bench_player.measure(seconds, out),
        lambda: bench_player.measure(seconds, out, realtime=False),
        lambda: bench_finger.measure(25 if quick else 200),
        lambda: bench_cost.measure(2.0 if quick else 10.0),
        lambda: bench_light.measure(4.0 if quick else 20.0),
        lambda: bench_slow.measure(4.0 if quick else 20.0),
        lambda: bench_start.measure(0.5 if quick else 10.0),
        lambda: bench_swap.measure(8.0 if quick else 40.0),
        lambda: bench_page.measure(4.0 if quick else 20.0, 6.0),
        lambda: follower(2 if quick else 40),
    ]


def put(path: Path, text: str) -> None:
    """Replaces what stands between the two marks; SystemExit when they are not there."""
    whole = path.read_text(encoding="utf-8")
    if BEGIN not in whole or END not in whole:
        raise SystemExit(f"{path}: there is no {BEGIN} with {END} after it")
    before, _, rest = whole.partition(BEGIN)
    path.write_text(f"{before}{BEGIN}\n{text}\n{END}{rest.partition(END)[2]}", encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--write", type=Path, metavar="FILE")
    parser.add_argument("--out", type=Path, default=Path("bench-out"))
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    begin = time.monotonic()
    blocks = [machine() + (" A quick run: few events." if given.quick else "")]
    for part in parts(given.quick, given.out):
        blocks.append("\n".join(part()))
        print(blocks[-1], end="\n\n", flush=True)
    text = "\n\n".join(blocks)
    (given.out / "report.md").write_text(text + "\n", encoding="utf-8")
    if given.write:
        put(given.write, text)
    drawings = ", ".join(str(path) for path in sorted(given.out.glob("*.svg")))
    print(f"{time.monotonic() - begin:.0f} s; {given.out / 'report.md'}, drawings {drawings}")


if __name__ == "__main__":
    main()
