"""The other ways to play the same events: a general library's play loop, an asyncio timer per
event, and the bare C timer loop, which is the limit of the machine.

Run by itself as ``others.py mido|timers EVENTS_FILE`` (an own process, as the player is one).
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent.parent
PERIOD_US = 5000


def events_file(folder: Path, seconds: float) -> Path:
    """The same events as (seconds, hex), from the player's own offline performance."""
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.music.score import compile_score
    from bridge.player.offline import perform

    rig = load_rig(folder / "rig.yaml")
    score = compile_score(load_set(folder / "set.yaml", rig).spec, rig.ranges)
    bars = int(seconds / (240 / score.spec.tempo)) + 1
    night = perform(score, rig.wired, bars)
    rows = [[sent.ns / 1e9, sent.data.hex()] for sent in night.sent if 0 <= sent.ns / 1e9 < seconds]
    path = folder / "events.json"
    path.write_text(json.dumps(rows))
    return path


def by_mido(path: Path) -> None:
    """What a user would write: a file's worth of messages, `play()`, and a port."""
    import mido

    rows = json.loads(path.read_text())
    track = mido.MidiTrack()
    tempo, per_quarter = 500_000, 30_000
    last = 0
    for seconds, data in rows:
        tick = round(seconds * 1e6 / tempo * per_quarter)
        track.append(mido.Message.from_hex(data).copy(time=tick - last))
        last = tick
    song = mido.MidiFile(ticks_per_beat=per_quarter, tracks=[track])
    note_ons: list[tuple[float, float]] = []

    class Port(mido.ports.BaseOutput):  # type: ignore[misc]
        def _send(self, message: Any) -> None:
            if message.type == "note_on":
                note_ons.append((wanted, time.monotonic()))

    port, wanted = Port(), 0.0
    begin = time.monotonic()
    for message in song.play():
        wanted += message.time
        port.send(message)
    print(json.dumps([max(0.0, at - begin - due) * 1e6 for due, at in note_ons]))


def by_timers(path: Path) -> None:
    """What a user would write: one `call_at` per event."""
    rows = json.loads(path.read_text())
    errors: list[float] = []

    async def run() -> None:
        loop = asyncio.get_running_loop()
        begin = loop.time() + 0.2

        def send(due: float, data: bytes) -> None:
            if data[0] & 0xF0 == 0x90:
                errors.append(max(0.0, loop.time() - due) * 1e6)

        for seconds, data in rows:
            loop.call_at(begin + seconds, send, begin + seconds, bytes.fromhex(data))
        await asyncio.sleep(rows[-1][0] + 0.5)

    asyncio.run(run())
    print(json.dumps(errors))


def by_role(role: str, path: Path) -> list[float]:
    run = subprocess.run(
        [sys.executable, __file__, role, str(path)],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    return json.loads(run.stdout)  # type: ignore[no-any-return]


class Bare:
    """``cyclictest`` beside what is measured, one thread bound to each core (what stalls one core
    only would otherwise pass it by), or to `core` alone: latencies in us, one per period and core.
    """

    def __init__(
        self, seconds: float, realtime: bool, *, core: int | None = None, period_us: int = PERIOD_US
    ) -> None:
        self._run: subprocess.Popen[str] | None = None
        program = shutil.which(
            "cyclictest", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/bin"
        )
        if program is None:
            return
        how = ["-p", "60", "--policy", "fifo", "-m"] if realtime else ["--policy", "other"]
        loops = int(seconds * 1e6 / period_us)
        where = ["-t", str(os.cpu_count()), "-a"] if core is None else ["-t", "1", "-a", str(core)]
        self._run = subprocess.Popen(
            [program, "-q", *where, "-i", str(period_us), "-l", str(loops), "-h", "100000", *how],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )

    def latencies(self) -> list[float]:
        """Waits for its end; [] where there is no such program."""
        if self._run is None:
            return []
        text, _ = self._run.communicate()
        found: list[float] = []
        for line in text.splitlines():
            parts = line.split()
            if len(parts) > 1 and not line.startswith("#"):
                found += [float(parts[0])] * sum(map(int, parts[1:]))
        return found


if __name__ == "__main__":
    {"mido": by_mido, "timers": by_timers}[sys.argv[1]](Path(sys.argv[2]))
