"""A MIDI controller of its own: sends what it is told, and tells what it is sent.

usage: jack_knobs.py CLIENT_NAME

Reads one message in hex per line from standard input and sends it from its port ``keys``; prints
``got HEX`` for each message that arrives at its port ``lamps``. Prints ``ready`` once both are
there; ends with its input.
"""

import collections
import queue
import sys
import threading

import jack


def main() -> None:
    client = jack.Client(sys.argv[1], no_start_server=True)
    keys = client.midi_outports.register("keys")
    lamps = client.midi_inports.register("lamps")
    waiting: collections.deque[bytes] = collections.deque()
    seen: queue.SimpleQueue[bytes] = queue.SimpleQueue()

    def process(frames: int) -> None:
        keys.clear_buffer()
        if waiting:
            keys.write_midi_event(0, waiting.popleft())
        for _, data in lamps.incoming_midi_events():
            seen.put(bytes(data))

    client.set_process_callback(process)

    def tell() -> None:
        while True:
            print("got", seen.get().hex(), flush=True)

    client.activate()
    threading.Thread(target=tell, daemon=True).start()
    print("ready", flush=True)
    for line in sys.stdin:
        waiting.append(bytes.fromhex(line))
    client.deactivate()
    client.close()


if __name__ == "__main__":
    main()
