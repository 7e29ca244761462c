"""A crowd at the doors: OSC at full speed and many viewers, and what it costs the hits.

    python tests/bench/bench_crowd.py [--seconds 300] [--viewers 100] [--osc 2000]

The whole program plays as `stage` says. First nobody is there; then so many viewers look at the
live state, one of them reads nothing any more, and so many OSC messages a second move three macros.
Hits are judged by the log of the simulated port; memory is the proportional set size of the service.
A bare timer loop in C at the player's priority (``cyclictest``) runs beside: what the crowd costs it,
on a machine that the crowd shares, no program can get below.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import socket
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from bench_light import named  # noqa: E402
from bench_player import Ours, ours  # noqa: E402
from bench_start import pss_mb  # noqa: E402
from others import Bare  # noqa: E402
from stage import OSC_MACROS, cpu_seconds, percentile, stage, table  # noqa: E402


async def view(http: int, viewers: int, counts: Path) -> None:
    """The viewers, until killed. The first of them stops reading after a second."""
    import aiohttp

    seen = [0] * viewers

    async def one(session: aiohttp.ClientSession, number: int) -> None:
        async with session.ws_connect(f"http://127.0.0.1:{http}/api/live") as ws:
            begin = time.monotonic()
            async for _ in ws:
                seen[number] += 1
                if number == 0 and time.monotonic() > begin + 1:
                    await asyncio.sleep(3600)

    async def tell() -> None:
        while True:
            await asyncio.sleep(0.5)
            counts.write_text(json.dumps(seen))  # noqa: ASYNC240

    connector = aiohttp.TCPConnector(limit=0)
    async with aiohttp.ClientSession(connector=connector) as session:
        await asyncio.gather(tell(), *(one(session, number) for number in range(viewers)))


def send(port: int, rate: int) -> None:
    """OSC messages at a rate, until killed."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    begin, sent = time.monotonic(), 0
    while True:
        while sent < (time.monotonic() - begin) * rate:
            sent += 1
            address = f"/macro/{OSC_MACROS[sent % 3]}\0".encode()
            address += b"\0" * (-len(address) % 4)
            data = address + b",f\0\0" + struct.pack(">f", sent % 100 / 99)
            sock.sendto(data, ("127.0.0.1", port))
        time.sleep(0.005)


def row(what: str, mine: Ours, bare: list[float], memory: float, share: float) -> list[object]:
    late = sorted(mine.errors) or [float("nan")]
    cells = [f"{percentile(late, part) / 1000:.2f}" for part in (0.5, 0.99, 1)]
    limit = [f"{percentile(sorted(bare or [0.0]), part) / 1000:.2f}" for part in (0.99, 1)]
    return [what, len(mine.errors), mine.lost, *cells, *limit, f"{memory:.1f}", f"{share:.0%}"]


def measure(seconds: float, viewers: int, rate: int) -> list[str]:
    """Lines of Markdown."""
    me = [sys.executable, __file__]
    with tempfile.TemporaryDirectory() as name, stage(Path(name), loaded=False) as on:
        service = named(on.pid, int(on.state()["player"]["pid"]))["service"]

        def watch(what: str, length: float) -> list[object]:
            before = cpu_seconds(service)
            beside = Bare(length, realtime=os.geteuid() == 0)
            mine = ours(on, length)
            return row(
                what,
                mine,
                beside.latencies(),
                pss_mb(service),
                (cpu_seconds(service) - before) / length,
            )

        rows = [watch("nobody", min(seconds, 60.0))]
        counts = on.folder / "seen.json"
        load = [
            subprocess.Popen([*me, "--as-viewers", str(on.http), str(viewers), str(counts)]),
            subprocess.Popen([*me, "--as-osc", str(on.osc), str(rate)]),
        ]
        try:
            time.sleep(8)
            rows.append(watch("a crowd, first half", seconds / 2))
            rows.append(watch("a crowd, second half", seconds / 2))
            links = on.state()["links"]
            seen = sorted(json.loads(counts.read_text())[1:])
        finally:
            for one in load:
                one.kill()
                one.wait()
    first, then = (float(str(rows[n][4])) for n in (0, 2))
    lateness = ["p50 ms", "p99 ms", "worst ms", "bare p99 ms", "bare worst ms"]
    head = ["", "hits", "lost", *lateness, "service, MB", "service, of a core"]
    osc = {name: count for name, count in links["osc"].items() if count}
    return [
        f"{viewers} viewers and {rate} OSC messages a second, {seconds:g} s:",
        "",
        *table(head, rows),
        "",
        f"p99 {then / first:.2f} times that of nobody. Viewers at the end: {links['pages']}, dropped "
        f"{links['dropped']}; messages to a viewer: {seen[0]} at least, {seen[len(seen) // 2]} in the "
        f"median. OSC: {osc}; lost in the kernel {links['lost']}; commands refused "
        f"{links['too_many']}.",
    ]


def main() -> None:
    if sys.argv[1:2] == ["--as-viewers"]:
        asyncio.run(view(int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4])))
    if sys.argv[1:2] == ["--as-osc"]:
        send(int(sys.argv[2]), int(sys.argv[3]))
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--viewers", type=int, default=100)
    parser.add_argument("--osc", type=int, default=2000)
    given = parser.parse_args()
    print(f"{os.cpu_count()} cores, load average {os.getloadavg()[0]:.1f}")
    print("\n".join(measure(given.seconds, given.viewers, given.osc)))


if __name__ == "__main__":
    main()
