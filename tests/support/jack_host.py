"""A host as a JACK client: MIDI clock and Start out, and a click on an audio port.

usage: jack_host.py CLIENT_NAME BPM CLICK_MS [frame|block]

Once told ``start`` it sends Start, and after it a clock on each 24th of a quarter note, at its true
frame, or with ``block`` at the beginning of its block (as hosts do whose clock comes out of an audio
callback). A click of 6 ms begins on its audio port CLICK_MS after each beat. Prints ``ready``; ends
with ``quit`` or its standard input.
"""

from __future__ import annotations

import sys

import jack
import numpy as np


def main() -> None:
    name, bpm, click_ms = sys.argv[1], float(sys.argv[2]), float(sys.argv[3])
    at_block = sys.argv[4:] == ["block"]
    client = jack.Client(name, no_start_server=True)
    keys = client.midi_outports.register("clock")
    line = client.outports.register("click")
    rate = float(client.samplerate)
    clock = rate * 60.0 / bpm / 24.0
    click = (0.5 * np.sin(2 * np.pi * 2000.0 * np.arange(round(0.006 * rate)) / rate + 1.2)).astype(
        np.float32
    )
    still = np.random.default_rng(1).normal(0.0, 3e-4, 65536).astype(np.float32)
    told = {"start": False}
    begun: list[float] = []
    sent = [0]

    def process(frames: int) -> None:
        base = client.last_frame_time
        keys.clear_buffer()
        out = line.get_array()
        at = base % 32768
        out[:] = still[at : at + frames]
        if told["start"] and not begun:
            # Start goes first, and the first clock at least 1 ms after it (MIDI 1.0, p. 30).
            keys.write_midi_event(0, b"\xfa")
            begun.append(base + 2.0 * frames + rate * 0.005)
        if not begun:
            return
        while (due := begun[0] + sent[0] * clock) < base + frames:
            offset = min(max(0, round(due - base)), frames - 1)
            keys.write_midi_event(0 if at_block else offset, b"\xf8")
            sent[0] += 1
        late = click_ms * rate / 1e3
        beat = 24 * clock
        first = max(0, int((base - begun[0] - late - len(click)) // beat))
        for number in range(first, first + 3):
            place = round(begun[0] + number * beat + late) - base
            piece = click[max(0, -place) : max(0, frames - place)]
            if len(piece) and place < frames:
                out[max(0, place) : max(0, place) + len(piece)] += piece

    client.set_process_callback(process)
    client.activate()
    print("ready", flush=True)
    for text in sys.stdin:
        if text.strip() == "quit":
            break
        told["start"] = True
    client.deactivate()
    client.close()


if __name__ == "__main__":
    main()
