"""An interface that is unplugged and plugged in again, over JACK, in counts.

    python tests/bench/bench_unplug.py [--cycles 100]

The whole program plays; the receiver, which is its interface, ends and comes back again and again.
Of each cycle: until the state says that the port is lost, until it says that it is back, until the
first hit is heard; whether closed gates came first, whether the present value of a level came,
whether a backlog came (three hits within a step, by the server's count of frames), and how far hits
lie from the grid that the song has kept since it began, by the receiver's clock: the median hit, since
on a busy machine the receiver is itself late now and then. Then what the player has gained in memory and in
open files.
"""

from __future__ import annotations

import argparse
import os
import signal
import statistics
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1]), str(HERE.parents[2])]

from bench_kill import HAT, RIG, SET, STEP_NS, hits, off_grid, spread, wait  # noqa: E402
from bench_start import pss_mb  # noqa: E402
from stage import table  # noqa: E402
from support import jackd  # noqa: E402
from support.killing import Stage  # noqa: E402

HEARD_S = 1.2
STEP_FRAMES = 48_000 * STEP_NS / 1e9
WARM = 3  # cycles before memory is looked at


@dataclass(slots=True)
class Cycle:
    lost_ms: float = 0.0
    back_ms: float = 0.0
    first_hit_ms: float = 0.0
    off_grid_ms: float = 0.0
    wrong: list[str] = field(default_factory=list)


def is_open(stage: Stage) -> bool:
    return bool(stage.state()["ports"]["main"]["open"])


def heard(capture: Path) -> list[tuple[int, bytes]]:
    return sorted((ns, data) for _, _, ns, data in jackd.read_stamped(capture))


def cycle(env: dict[str, str], stage: Stage, capture: Path, grid: int) -> Cycle:
    found = Cycle()
    found.lost_ms = wait(lambda: not is_open(stage), "the loss") * 1e3
    running = stage.state()["transport"]["state"]
    with jackd.receiver(env, capture, "in"):
        plugged = time.monotonic_ns()
        found.back_ms = wait(lambda: is_open(stage), "the return") * 1e3
        time.sleep(HEARD_S)
    rows = heard(capture)
    hats = hits(rows, HAT)
    if running != "running":
        found.wrong.append("the song stood")
    if not hats:
        found.wrong.append("silent")
        return found
    found.first_hit_ms = (hats[0] - plugged) / 1e6
    found.off_grid_ms = statistics.median(off_grid([ns], grid, STEP_NS) for ns in hats)
    if rows[0][1][0] & 0xF0 == 0x90 and rows[0][1][2]:
        found.wrong.append("a gate before its close")
    first = [data for ns, data in rows if ns <= hats[0]]
    if not any(data[0] & 0xF0 == 0xB0 and data[1] not in (120, 123) for data in first):
        found.wrong.append("no level")
    frames = [
        frame
        for _, frame, _, data in jackd.read_stamped(capture)
        if data[0] == 0x99 and data[1] == HAT and data[2]
    ]
    # Two together may be one that a starved machine has held up.
    if any(third - first < STEP_FRAMES for first, third in zip(frames, frames[2:], strict=False)):
        found.wrong.append("backlog")
    return found


def measure(cycles: int) -> list[str]:
    """Lines of Markdown."""
    found: list[Cycle] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with jackd.server(f"lbplug{os.getpid()}", folder) as env:
            with jackd.receiver(env, folder / "begin", "in"):
                stage = Stage(folder, rig=RIG, text=SET, env=env)
                wait(stage.answers, "the service")
                wait(lambda: is_open(stage), "the port")
                time.sleep(2)
            try:
                grid = hits(heard(folder / "begin"), HAT)[-1]
                player = stage.player()
                memory, files = 0.0, 0
                for number in range(cycles):
                    found.append(cycle(env, stage, folder / "capture", grid))
                    print(f"{number + 1}: {found[-1]}", file=sys.stderr, flush=True)
                    if number + 1 == min(WARM, cycles):
                        memory, files = pss_mb(player), len(os.listdir(f"/proc/{player}/fd"))
                gained = pss_mb(player) - memory
                opened = len(os.listdir(f"/proc/{player}/fd")) - files
                same = stage.player() == player
            finally:
                stage.end()
    return lines(found, gained, opened, same)


def lines(found: Sequence[Cycle], gained: float, opened: int, same: bool) -> list[str]:
    wrong = Counter(what for one in found for what in one.wrong)
    rows = [
        ["seen, ms", spread([one.lost_ms for one in found])],
        ["back, ms", spread([one.back_ms for one in found])],
        ["first hit, ms", spread([one.first_hit_ms for one in found])],
        ["off the grid, ms", spread([one.off_grid_ms for one in found])],
    ]
    told = "; ".join(f"{what}: {times}" for what, times in wrong.items()) or "nothing"
    return [
        f"{len(found)} times unplugged and plugged in over JACK:",
        "",
        *table(["", "median / p99 / worst"], rows),
        "",
        f"Wrong: {told}. The player is {'the same' if same else 'another'}; since cycle {WARM} it has "
        f"gained {gained:+.2f} MB and {opened:+d} open files.",
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cycles", type=int, default=100)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that what was started is ended
    print("\n".join(measure(parser.parse_args().cycles)))


if __name__ == "__main__":
    main()
