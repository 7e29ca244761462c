"""A MIDI clock source of its own: sends F8 at exact frames, and FA, FB, FC, F2 when told.

usage: jack_clock.py CLIENT_NAME BPM [frame|block]

Clocks are written at their true frame, or with ``block`` all at the beginning of their block.

Clock runs all the time, as MIDI 1.0 4.2.1 (p. 30) allows, so that receivers can lock first.
Reads commands from standard input, one per line: ``start``, ``stop``, ``continue``,
``position N`` (sixteenths), ``relocate N``, ``bpm X``, ``quit``. FA and FB go out at least 1 ms
before the next F8 (p. 30). Each goes out in a block of its own, but ``relocate N`` is FC, F2 and FB
in one block, as a host does whose song jumps while it runs. Prints ``ready`` once its port is there.
"""

import collections
import sys

import jack


def position(sixteenths: int) -> bytes:
    """Song Position Pointer: two bytes of seven bits, the lower one first (p. 27)."""
    return bytes((0xF2, sixteenths & 0x7F, sixteenths >> 7))


def main() -> None:
    name, bpm = sys.argv[1], float(sys.argv[2])
    at_block = sys.argv[3:] == ["block"]
    client = jack.Client(name, no_start_server=True)
    port = client.midi_outports.register("clock")
    rate = client.samplerate
    state = {"period": rate * 60.0 / bpm / 24.0, "next": 0.0}
    waiting: collections.deque[list[bytes]] = collections.deque()

    def process(frames: int) -> None:
        port.clear_buffer()
        base = client.last_frame_time
        if not state["next"]:
            state["next"] = base + frames
        # Transport bytes go first in the buffer and only well before a clock byte.
        if waiting and (
            state["next"] - base > frames + rate * 0.001
            or (frames > state["period"] / 2 and state["next"] - base > rate * 0.001)
        ):
            for message in waiting.popleft():
                port.write_midi_event(0, message)
        while state["next"] < base + frames:
            offset = max(0, round(state["next"] - base))
            port.write_midi_event(0 if at_block else min(offset, frames - 1), b"\xf8")
            state["next"] += state["period"]

    client.set_process_callback(process)
    client.activate()
    print("ready", rate, flush=True)
    for line in sys.stdin:
        word, *rest = line.split()
        if word == "quit":
            break
        if word == "bpm":
            state["period"] = rate * 60.0 / float(rest[0]) / 24.0
        elif word == "position":
            waiting.append([position(int(rest[0]))])
        elif word == "relocate":
            waiting.append([b"\xfc", position(int(rest[0])), b"\xfb"])
        else:
            waiting.append([{"start": b"\xfa", "continue": b"\xfb", "stop": b"\xfc"}[word]])
    client.deactivate()
    client.close()


if __name__ == "__main__":
    main()
