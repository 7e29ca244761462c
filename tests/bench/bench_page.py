"""What the page costs a slow tablet, and the service that tells it what is played.

    python tests/bench/bench_page.py [--seconds 10] [--slower 6]

The 16-lane set of `stage` plays with nobody at it but one browser on its first view (tablet,
landscape), whose main thread the browser itself slows down (`Emulation.setCPUThrottlingRate` of its
debugging protocol). Frames are counted by the page's own animation frames, long tasks by the
browser (`longtask`: 50 ms and more), the share of the main thread by its own count of CPU time in
tasks (`TaskDuration`), and of that what is ours (scripts, style and layout). The browser draws
without a graphics card here, on the main thread and on the same cores, which a tablet does not: so
frames are a lower bound and the share of the main thread an upper one. What the service and the
player take is measured with the page open, and before that without one.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from bench_light import cpu_ns, named  # noqa: E402
from stage import Stage, stage, table  # noqa: E402

ARGS = ["--no-sandbox", "--disable-dev-shm-usage"]
LONG_MS = 50
COUNT = f"""
window.counted = {{frames: 0, long: []}};
const again = () => {{ window.counted.frames += 1; requestAnimationFrame(again); }};
requestAnimationFrame(again);
new PerformanceObserver((list) => {{
  for (const task of list.getEntries())
    if (task.duration > {LONG_MS}) window.counted.long.push(task.duration);
}}).observe({{entryTypes: ["longtask"]}});
"""


def shares(on: Stage, seconds: float) -> dict[str, float]:
    """By process, the share of a core in the next seconds."""
    player = int(on.state()["player"]["pid"])
    pids = named(on.pid, player)
    before = {name: cpu_ns(pid) for name, pid in pids.items()}
    begun = time.monotonic_ns()
    time.sleep(seconds)
    took = time.monotonic_ns() - begun
    return {name: (cpu_ns(pid) - before[name]) / took for name, pid in pids.items()}


def measure(seconds: float, slower: float) -> list[str]:
    """Lines of Markdown."""
    from playwright.sync_api import sync_playwright

    with (
        tempfile.TemporaryDirectory() as name,
        stage(Path(name), loaded=False) as on,
        sync_playwright() as play,
    ):
        alone = shares(on, seconds)
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=ARGS)
        page = browser.new_page(viewport={"width": 1180, "height": 820})
        page.goto(f"http://127.0.0.1:{on.http}/")
        page.wait_for_selector("body[data-link=live]")
        cdp = page.context.new_cdp_session(page)
        cdp.send("Performance.enable", {"timeDomain": "threadTicks"})
        cdp.send("Emulation.setCPUThrottlingRate", {"rate": slower})
        time.sleep(3)
        page.evaluate(COUNT)
        before = _tasks(cdp)
        begun = time.monotonic()
        told = shares(on, seconds)
        took = time.monotonic() - begun
        busy, own = (late - early for early, late in zip(before, _tasks(cdp), strict=True))
        counted: dict[str, Any] = page.evaluate("counted")
        browser.close()
    return [
        f"The page with its main thread {slower:g} times slower, 16 lanes playing:",
        "",
        *table(
            [
                "frames/s",
                "main thread busy",
                "with ours",
                f"tasks over {LONG_MS} ms",
                "the longest",
            ],
            [
                [
                    f"{counted['frames'] / took:.0f}",
                    f"{busy / took * 100:.0f} %",
                    f"{own / took * 100:.0f} %",
                    len(counted["long"]),
                    f"{max(counted['long'], default=0):.0f} ms",
                ]
            ],
        ),
        "",
        *table(
            ["of a core", *told],
            [
                ["no page", *(f"{share * 100:.1f} %" for share in alone.values())],
                ["with the page", *(f"{share * 100:.1f} %" for share in told.values())],
            ],
        ),
    ]


def _tasks(cdp: Any) -> tuple[float, float]:
    """Seconds that the page's main thread has been in tasks, and of these with what is ours."""
    found = {row["name"]: row["value"] for row in cdp.send("Performance.getMetrics")["metrics"]}
    ours = ("ScriptDuration", "RecalcStyleDuration", "LayoutDuration")
    return float(found["TaskDuration"]), float(sum(found[name] for name in ours))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--slower", type=float, default=6.0)
    options = parser.parse_args()
    print("\n".join(measure(options.seconds, options.slower)))


if __name__ == "__main__":
    main()
