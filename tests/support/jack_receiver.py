"""An independent MIDI receiver: writes what arrives on its ports, stamped in JACK frames.

usage: jack_receiver.py CLIENT_NAME OUT_FILE PORT [PORT ...]

Each line of OUT_FILE is ``port frame ns hex``: the frame is JACK's, the nanoseconds are the
monotonic time at which this program was called with the message. The file is written when the
program gets a SIGTERM, so that no file work happens in the process callback. Prints ``ready`` once
its ports are there. On a busy machine the server may leave a client out of some cycles, and what
arrives in those is lost to it: they are told as lines ``! frame ns length`` (length in frames).
"""

import signal
import sys
import threading
import time

import jack


def main() -> None:
    name, out, *ports = sys.argv[1:]
    client = jack.Client(name, no_start_server=True)
    inputs = [(port, client.midi_inports.register(port)) for port in ports]
    seen: list[tuple[str, int, int, bytes]] = []

    gaps: list[tuple[int, int, int]] = []
    heard = [0]

    def process(frames: int) -> None:
        now = time.monotonic_ns()
        base = client.last_frame_time
        if heard[0] and base != heard[0]:
            gaps.append((heard[0], now, base - heard[0]))
        heard[0] = base + frames
        for label, port in inputs:
            for offset, data in port.incoming_midi_events():
                seen.append((label, base + offset, now, bytes(data)))

    client.set_process_callback(process)

    done = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: done.set())
    client.activate()
    print("ready", client.samplerate, flush=True)
    done.wait()
    client.deactivate()
    client.close()
    with open(out, "w", encoding="ascii") as file:
        for label, frame, ns, data in seen:
            file.write(f"{label} {frame} {ns} {data.hex()}\n")
        for frame, ns, length in gaps:
            file.write(f"! {frame} {ns} {length}\n")


if __name__ == "__main__":
    main()
