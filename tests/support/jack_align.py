"""`lanebridge align` over JACK: a rack of drums and a host, each a client of its own."""

from __future__ import annotations

import contextlib
import json
import re
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from support import jackd
from support.drums import Drum
from support.patience import PATIENCE_S

VOICES = {"one": "kick", "two": "rim", "three": "block", "four": "bell"}


def rig_of(count: int) -> str:
    """So many of `VOICES`, each on the first gate of an interface of its own."""
    lines = [
        f'  {name}: {{profile: eight-gates-four-cv, port: "quay:{name}", '
        f"cables: {{gate-1: {voice} voice}}}}"
        for name, voice in [*VOICES.items()][:count]
    ]
    return "\n".join(
        ["rig: Quay rack", "interfaces:", *lines, 'clock: {follow: "recorder:clock"}', ""]
    )


RIG = rig_of(2)
CLICK_MS = 20.0
"""The host clicks so much later than its clock."""


@dataclass(frozen=True)
class Aligned:
    """What one run said, as it stands and read: ms after its message of each voice, and the offset
    that was proposed. `disturbed`: the server was late meanwhile, by its own account."""

    said: str
    late_ms: tuple[float, ...]
    offset_ms: float | None
    disturbed: bool

    @property
    def click_ms(self) -> float | None:
        """How much later than the clock the click was heard."""
        if self.offset_ms is None or not self.late_ms:
            return None
        return self.offset_ms + self.late_ms[0]


def rack(
    env: dict[str, str], *voices: Drum
) -> contextlib.AbstractContextManager[subprocess.Popen[str]]:
    """The drums, as client ``quay``."""
    ports = {name: {"36": asdict(drum)} for name, drum in zip(VOICES, voices, strict=False)}
    told = {"ports": ports}
    return jackd.peer(env, "jack_drums.py", "quay", json.dumps(told))


def align(
    env: dict[str, str],
    folder: Path,
    voices: Sequence[Drum],
    options: Mapping[str, int],
    bpm: int = 120,
    how: str = "frame",
) -> Aligned:
    """One run from nothing, in which everything is agreed to."""
    rig = folder / "rig.yaml"
    rig.write_text(rig_of(len(voices)))
    words = [str(word) for name, value in options.items() for word in (f"--{name}", value)]
    with (
        rack(env, *voices),
        jackd.peer(env, "jack_host.py", "recorder", str(bpm), str(CLICK_MS), how) as host,
        subprocess.Popen(
            [
                *(sys.executable, "-u", "-m", "bridge.cli", "align", str(rig), "--apply"),
                *("--listen", "quay", "--click", "recorder", *words),
            ],
            env=env | {"PYTHONPATH": str(jackd.SUPPORT.parent.parent)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as run,
    ):
        assert run.stdin is not None
        assert run.stdout is not None
        assert host.stdin is not None
        run.stdin.write("y\n\n")  # monitors are down; the host stands
        run.stdin.flush()
        said = []
        for line in run.stdout:
            said.append(line)
            if line.endswith(" s ...\n"):
                host.stdin.write("start\n")
                host.stdin.flush()
        code = run.wait(PATIENCE_S)
    text = "".join(said) + (f"\nended by signal {-code}" if code < 0 else "")
    offset = re.search(r"offset_ms .* -> (\S+)", text)
    return Aligned(
        text,
        tuple(float(ms) for ms in re.findall(r"voice: ([\d.]+) ms after", text)),
        float(offset[1]) if offset else None,
        "XRun" in (folder / "jackd.log").read_text(errors="replace"),
    )
