"""A rack of drum voices as a JACK client: MIDI of several interfaces in, one line of sound out.

usage: jack_drums.py CLIENT_NAME JSON

JSON: ``{"ports": {"one": {"36": {"kind": "rim", "hertz": 450, ...}}}, "noise_db": -60, "hum_db":
-55, "click_ms": 12}``: for each MIDI port, which voice of `support.drums` the note of each gate
strikes. With ``click_ms`` there is also a host: it sends its clock on the port ``clock`` and a
click so many ms after each beat on the port ``click``, once it is told ``start``.

Prints ``ready``. Reads lines: ``start``, ``quit``.
"""

from __future__ import annotations

import json
import sys
from typing import Any

import jack
import numpy as np
from support.drums import Drum
from support.rack import Hiss, Hum

BPM = 120.0


class Host:
    """A clock from its true frames on, and a click after each beat."""

    def __init__(self, client: Any, late_ms: float) -> None:
        self.clock = client.midi_outports.register("clock")
        self.line = client.outports.register("click")
        self.rate = client.samplerate
        self.late = round(late_ms * self.rate / 1e3)
        self.period = self.rate * 60.0 / BPM / 24.0
        self.begin: int | None = None
        self.wanted = False
        self.sent = 0
        self.hiss = Hiss(1e-3, 9).render(8192)
        t = np.arange(480)
        self.click = (0.4 * np.sin(0.4 * t + 1.2) * np.exp(-t / 120)).astype(np.float32)

    def process(self, base: int, frames: int) -> None:
        self.clock.clear_buffer()
        line = self.line.get_array()
        line[:] = self.hiss[:frames]
        if self.wanted and self.begin is None:
            self.clock.write_midi_event(0, b"\xfa")
            self.begin = base + frames + round(0.005 * self.rate)
        if self.begin is None:
            return
        while (at := round(self.begin + self.sent * self.period)) < base + frames:
            self.clock.write_midi_event(max(0, min(at - base, frames - 1)), b"\xf8")
            self.sent += 1
        beat = self.period * 24
        number = max(0, int((base - self.begin - self.late) / beat))
        for at in (round(self.begin + n * beat) + self.late for n in (number, number + 1)):
            piece = self.click[max(0, base - at) : max(0, base + frames - at)]
            line[max(0, at - base) : max(0, at - base) + len(piece)] += piece


def main() -> None:
    told = json.loads(sys.argv[2])
    client = jack.Client(sys.argv[1], no_start_server=True)
    rate = float(client.samplerate)
    keys = {name: client.midi_inports.register(name) for name in told["ports"]}
    # Made ahead: noise and filters take longer than a period.
    hits = {
        (name, int(note)): [Drum(**voice).hit(i, rate) for i in range(4)]
        for name, gates in told["ports"].items()
        for note, voice in gates.items()
    }
    line = client.outports.register("out")
    # A second of the room, over and over: its hum fits in it whole.
    still = Hiss(10 ** (told.get("noise_db", -60) / 20)).render(int(rate))
    still += Hum(rate, level=10 ** (told.get("hum_db", -60) / 20)).render(int(rate))
    still = np.concatenate([still, still[:8192]])
    host = Host(client, told["click_ms"]) if "click_ms" in told else None
    ringing: list[tuple[int, Any]] = []
    count = [0]

    def process(frames: int) -> None:
        base = client.last_frame_time
        for name, port in keys.items():
            for offset, data in port.incoming_midi_events():
                raw = bytes(data)
                if len(raw) == 3 and raw[0] == 0x99 and raw[2]:
                    struck = hits.get((name, raw[1]))
                    if struck is not None:
                        ringing.append((base + offset, struck[count[0] % 4]))
                        count[0] += 1
        at = base % int(rate)
        made = line.get_array()
        made[:] = still[at : at + frames]
        for begin, hit in ringing:
            piece = hit[max(0, base - begin) : base + frames - begin]
            at = max(0, begin - base)
            made[at : at + len(piece)] += piece
        ringing[:] = [row for row in ringing if base + frames - row[0] < len(row[1])]
        if host is not None:
            host.process(base, frames)

    client.set_process_callback(process)
    client.activate()
    print("ready", flush=True)
    for text in sys.stdin:
        if text.strip() == "quit":
            break
        if text.strip() == "start" and host is not None:
            host.wanted = True
    client.deactivate()
    client.close()


if __name__ == "__main__":
    main()
