"""From finger to wire: how long a moved control takes until its bytes leave the player's port.

    python tests/bench/bench_finger.py [--moves 200] [--no-browser]

The whole program plays as `stage` says, without and with the load of three page clients and 500 OSC
messages a second. A macro drives a level output of its own, so that each move has bytes that only
it can have sent; their time is the simulated port's log (one monotonic clock for all).

- *WebSocket*: from the call that sends a command. Alone: moves 60 to 140 ms apart. Sweep: 30 a
  second, as the page sends at most.
- *browser*: pointer events in Chromium. From the event's own time stamp (mapped by the shortest of
  many looks at `performance.now`; half of that look is the error), from the moment the page was
  handed it, and from the call of the debugging interface that made it, which is an upper bound.
  The pointer is a mouse: touches that are made by the debugging interface reach any page some 28 ms
  after their time stamp, with nothing to do on it (measured), and would only measure that. A
  tablet's own screen and Wi-Fi are not in it.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import shutil
import sys
import tempfile
import time
import urllib.request
from bisect import bisect_left
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from stage import FINGER, MOVES_A_SECOND, Stage, busy, percentile, stage, table  # noqa: E402

TARGET_MS = 15.0
STEPS = 16383  # a 14-bit controller
MSB, LSB = 18, 50  # level-1 of the profile, on channel 1
GIVE_UP_NS = 500_000_000
ARGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]

WATCH = """
window.seen = {events: [], sends: []};
const send = WebSocket.prototype.send;
WebSocket.prototype.send = function (data) {
  if (data.includes('"macro"')) seen.sends.push([performance.now(), JSON.parse(data).value]);
  return send.call(this, data);
};
for (const kind of ["pointermove", "pointerrawupdate"]) window.addEventListener(kind, (event) => {
  if (event.clientX === seen.x) return;
  seen.x = event.clientX;
  seen.events.push([event.timeStamp, performance.now()]);
}, true);
"""


class Move(NamedTuple):
    """A move made at `ns` that asks for `code`."""

    ns: int
    code: int


def wire(log: Path) -> list[Move]:
    """What the finger's output was told, and when: a code at each low byte."""
    found, high = [], 0
    for line in log.read_text().splitlines():
        ns, _, port, text = line.split()
        data = bytes.fromhex(text)
        if port != "three" or data[0] != 0xB0:
            continue
        if data[1] == MSB:
            high = data[2]
        elif data[1] == LSB:
            found.append(Move(int(ns), high << 7 | data[2]))
    return found


def waits(moves: Sequence[Move], sent: Sequence[Move]) -> tuple[list[float], int]:
    """Ms from each move until it, or a later one, was on the wire; and how many never were."""
    codes: dict[int, list[int]] = {}
    for row in sent:
        codes.setdefault(row.code, []).append(row.ns)
    out: list[int] = []
    for move in moves:
        times = codes.get(move.code, [])
        at = bisect_left(times, move.ns)
        out.append(times[at] if at < len(times) and times[at] < move.ns + GIVE_UP_NS else 0)
    found, lost, after = [], 0, 0
    for move, own in zip(reversed(moves), reversed(out), strict=True):
        after = min(after, own) if own and after else own or after
        if not after or after > move.ns + GIVE_UP_NS:
            lost += 1
        else:
            found.append((after - move.ns) / 1e6)
    return found, lost


# --- WebSocket ----------------------------------------------------------------------------------


async def by_socket(on: Stage, count: int, gaps: tuple[float, float]) -> list[Move]:
    import aiohttp

    chance, moves = random.Random(5), []
    async with (
        aiohttp.ClientSession() as session,
        session.ws_connect(f"http://127.0.0.1:{on.http}/api/live") as ws,
    ):

        async def read() -> None:
            async for message in ws:
                refused = json.loads(message.data)
                assert refused["type"] != "refused", refused

        reader = asyncio.create_task(read())
        await asyncio.sleep(0.5)
        for number in range(count):
            code = (number * 4001 + 77) % STEPS  # each only once in 16383 moves
            moves.append(Move(time.monotonic_ns(), code))
            await ws.send_json(
                {"do": "macro", "macro": FINGER, "value": code / STEPS, "seq": number}
            )
            await asyncio.sleep(chance.uniform(*gaps))
        await asyncio.sleep(0.3)
        reader.cancel()
    return moves


# --- browser ------------------------------------------------------------------------------------


class Touches(NamedTuple):
    """The same moves from three beginnings, and the error of the mapped clock in ms."""

    stamped: list[Move]
    handed: list[Move]
    made: list[Move]
    error_ms: float


def by_browser(on: Stage, count: int, gaps: tuple[float, float]) -> Touches:
    """Moves of one pointer on the macro's slider, around the middle of its way."""
    from playwright.sync_api import sync_playwright

    half = json.dumps({"value": 0.5}).encode()
    address = f"http://127.0.0.1:{on.http}/api/macros/{FINGER}"
    wish = urllib.request.Request(address, half, {"Content-Type": "application/json"}, method="PUT")
    urllib.request.urlopen(wish, timeout=5).close()
    time.sleep(0.5)  # then it is nobody's any more

    chance, made = random.Random(6), []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=ARGS)
        context = browser.new_context(viewport={"width": 1366, "height": 1024}, has_touch=True)
        page = context.new_page()
        page.add_init_script(WATCH)
        page.goto(f"http://127.0.0.1:{on.http}/")
        page.wait_for_selector("body[data-link=live]")
        slider = page.locator(f"[data-macro={FINGER}]")
        slider.scroll_into_view_if_needed()
        box = slider.bounding_box()
        assert box is not None
        offset, error = clock_of(page)
        cdp = context.new_cdp_session(page)

        def point(kind: str, x: float) -> None:
            cdp.send(
                "Input.dispatchMouseEvent",
                {
                    "type": kind,
                    "x": x,
                    "y": box["y"] + box["height"] / 2,
                    "button": "left",
                    "buttons": 1,
                    "clickCount": 1,
                },
            )

        middle, step = box["x"] + box["width"] / 2, 3.0
        x = middle
        point("mousePressed", x)
        time.sleep(0.3)
        page.evaluate("seen.events.length = seen.sends.length = 0")
        for _ in range(count):
            if abs(x + step - middle) > box["width"] / 3:
                step = -step
            x += step
            made.append(time.monotonic_ns())
            point("mouseMoved", x)
            time.sleep(chance.uniform(*gaps))
        time.sleep(0.3)
        seen: dict[str, list[list[float]]] = page.evaluate("seen")
        point("mouseReleased", x)
        browser.close()
    sends = seen["sends"]
    stamped, handed, called = [], [], []
    for stamp, given in seen["events"]:
        after = next((row for row in sends if row[0] >= given), None)
        if after is None:
            continue
        code = round(after[1] * STEPS)
        stamped.append(Move(offset + round(stamp * 1e6), code))
        handed.append(Move(offset + round(given * 1e6), code))
        before = bisect_left(made, handed[-1].ns) - 1
        called.append(Move(made[before], code))
    return Touches(stamped, handed, called, error)


def clock_of(page: Any) -> tuple[int, float]:
    """Monotonic ns of the page's time 0, and how wrong that may be, in ms."""
    looks = []
    for _ in range(60):
        before = time.monotonic_ns()
        there = page.evaluate("performance.now()")
        after = time.monotonic_ns()
        looks.append((after - before, (before + after) // 2 - round(there * 1e6)))
    took, offset = min(looks)
    return offset, took / 2e6


# --- what is printed ----------------------------------------------------------------------------


def row(name: str, moves: Sequence[Move], sent: Sequence[Move]) -> list[object]:
    found, lost = waits(moves, sent)
    found.sort()
    cells = [percentile(found, share) for share in (0.5, 0.9, 0.99)]
    return [name, len(moves), *(f"{cell:.1f}" for cell in (*cells, found[-1])), lost]


def round_of(
    name: str, folder: Path, count: int, browser: bool, loaded: bool
) -> list[list[object]]:
    alone, sweep = (0.06, 0.14), (1 / MOVES_A_SECOND, 1 / MOVES_A_SECOND)
    rows = []
    with stage(folder, loaded=loaded) as on:
        moves = asyncio.run(by_socket(on, count, alone))
        swept = asyncio.run(by_socket(on, count, sweep))
        sent = wire(on.log)
        rows.append(row(f"WebSocket, alone; {name}", moves, sent))
        rows.append(row(f"WebSocket, sweep; {name}", swept, sent))
        if browser:
            touches = by_browser(on, count, alone)
            sent = wire(on.log)
            rows.append(row(f"browser, from its time stamp; {name}", touches.stamped, sent))
            rows.append(row(f"browser, from when the page has it; {name}", touches.handed, sent))
            rows.append(row(f"browser, from the call (upper bound); {name}", touches.made, sent))
            print(f"clock of the page within {touches.error_ms:.2f} ms", file=sys.stderr)
    return rows


def measure(count: int, browser: bool = True) -> list[str]:
    """Lines of Markdown; without a browser where there is none."""
    browser = browser and shutil.which("chromium") is not None
    rows: list[list[object]] = []
    with tempfile.TemporaryDirectory() as name:
        for label, loaded in (("idle", False), ("3 pages and 500 OSC/s", True)):
            folder = Path(name) / str(loaded)
            folder.mkdir()
            rows += round_of(label, folder, count, browser, loaded)
        folder = Path(name) / "busy"
        folder.mkdir()
        with busy():
            rows += round_of("that, and every core busy", folder, count, False, True)
    lines = [f"From finger to wire, in milliseconds (target: p99 at most {TARGET_MS:g}):", ""]
    lines += table(["from", "moves", "p50", "p90", "p99", "worst", "lost"], rows)
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--moves", type=int, default=200)
    parser.add_argument("--no-browser", action="store_true")
    given = parser.parse_args()
    print("\n".join(measure(given.moves, not given.no_browser)))


if __name__ == "__main__":
    main()
