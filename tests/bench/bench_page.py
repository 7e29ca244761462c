"""What the page costs a slow tablet, and the service that tells it what is played.

    python tests/bench/bench_page.py [--seconds 10] [--slower 6]

The 16-lane set of `stage` plays with nobody at it but one browser on its first view (tablet,
landscape), whose main thread the browser itself slows down (`Emulation.setCPUThrottlingRate` of its
debugging protocol). Pictures of the chart are counted by the page that draws them, long tasks by the
browser (`longtask`: 50 ms and more), the share of the main thread by its own count of CPU time in
tasks (`TaskDuration`), and of that what is ours (scripts, style and layout). The first row has the
page as it is. In the second one the main thread is asked for a frame whenever one is due, as a finger
or an opened panel does: how many it gives, and what it is busy with then, the asking included.

The chart is drawn by a worker, which is a thread of its own: the browser does not slow that down, so
its share of a core (/proc) stands beside, and a slower tablet takes as many times as much of it. The
browser draws without a graphics card here, on the same cores, which a tablet does not: so all of it
is an upper bound. What the service and the player take is measured with the page open, and before
that without one.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from bench_light import cpu_ns, named  # noqa: E402
from stage import Stage, stage, table  # noqa: E402

if TYPE_CHECKING:
    from playwright.sync_api import CDPSession, Page

ARGS = ["--no-sandbox", "--disable-dev-shm-usage"]
LONG_MS = 50
WATCH = f"""() => {{
window.counted = {{frames: 0, long: [], told: []}};
new PerformanceObserver((list) => {{
  for (const task of list.getEntries())
    if (task.duration > {LONG_MS}) window.counted.long.push(task.duration);
}}).observe({{entryTypes: ["longtask"]}});
const tell = () => counted.told.push([performance.now(), lanebridge.cost.frames]);
const {{ worker }} = lanebridge.app.play.banks.drawing;
if (worker) worker.addEventListener("message", tell);
else setInterval(tell, 1000);
}}"""
ASK = """() => {
const again = () => { window.counted.frames += 1; requestAnimationFrame(again); };
requestAnimationFrame(again);
}"""


class Seen(NamedTuple):
    """What was seen of the page in some seconds: rates a second, shares of a core, and ms."""

    pictures: float
    frames: float
    busy: float
    ours: float
    worker: float
    long: list[float]

    def row(self, name: str) -> list[object]:
        shares = (f"{share * 100:.0f} %" for share in (self.busy, self.ours, self.worker))
        frames = f"{self.frames:.0f}" if self.frames else ""
        longest = f"{max(self.long, default=0):.0f} ms"
        return [name, f"{self.pictures:.0f}", frames, *shares, len(self.long), longest]


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
        processes = browser.new_browser_cdp_session().send("SystemInfo.getProcessInfo")
        pids = [int(row["id"]) for row in processes["processInfo"] if row["type"] == "renderer"]
        time.sleep(3)
        page.evaluate(WATCH)
        as_it_is, told = look(page, cdp, pids, lambda: shares(on, seconds))
        page.evaluate(ASK)
        asked, _ = look(page, cdp, pids, lambda: shares(on, seconds))
        browser.close()
    over = f"tasks over {LONG_MS} ms"
    return [
        f"The page with its main thread {slower:g} times slower, 16 lanes playing:",
        "",
        *table(
            [
                "main thread",
                "pictures/s",
                "its frames/s",
                "busy",
                "with ours",
                "drawing worker",
                over,
                "the longest",
            ],
            [as_it_is.row("as it is"), asked.row("asked for frames")],
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


def look(
    page: Page, cdp: CDPSession, pids: list[int], wait: Callable[[], dict[str, float]]
) -> tuple[Seen, dict[str, float]]:
    """What is seen of the page while `wait` waits, and what that gives."""
    page.evaluate("Object.assign(counted, {frames: 0, long: [], told: []})")
    before, worked, begun = _tasks(cdp), worker_ns(pids), time.monotonic()
    waited = wait()
    took = time.monotonic() - begun
    busy, own = (late - early for early, late in zip(before, _tasks(cdp), strict=True))
    work = (worker_ns(pids) - worked) / 1e9
    counted: dict[str, Any] = page.evaluate("counted")
    (first_ms, first), (last_ms, last) = counted["told"][0], counted["told"][-1]
    pictures = (last - first) * 1000 / (last_ms - first_ms)
    frames = counted["frames"] / took
    return Seen(pictures, frames, busy / took, own / took, work / took, counted["long"]), waited


def worker_ns(pids: list[int]) -> int:
    """CPU time of the threads of workers in these processes."""
    taken = 0
    for pid in pids:
        for task in Path(f"/proc/{pid}/task").iterdir():
            if (task / "comm").read_text().startswith("DedicatedWorker"):
                taken += int((task / "schedstat").read_text().split()[0])
    return taken


def _tasks(cdp: CDPSession) -> tuple[float, float]:
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
