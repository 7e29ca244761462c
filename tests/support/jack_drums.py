"""A rack of drum voices as a JACK client: MIDI of several interfaces in, one line of sound out.

usage: jack_drums.py CLIENT_NAME JSON

JSON: ``{"ports": {"one": {"36": {"kind": "rim", "hertz": 450, ...}}}, "noise_db": -60, "hum_db":
-55}``: for each MIDI port, which voice of `support.drums` the note of each gate strikes.

Prints ``ready``, and ends with its standard input.
"""

from __future__ import annotations

import json
import sys
from typing import Any

import jack
import numpy as np
from support.drums import Drum
from support.rack import Hiss, Hum


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

    client.set_process_callback(process)
    client.activate()
    print("ready", flush=True)
    sys.stdin.read()
    client.deactivate()
    client.close()


if __name__ == "__main__":
    main()
