"""A MIDI cable between two JACK ports: what arrives at ``in`` leaves at ``out`` a cycle later.

usage: jack_cable.py CLIENT_NAME [LOSE_EVERY]

With LOSE_EVERY each message of that number is swallowed, as a bad adapter would. Prints ``ready``
once its ports are there, ends when its standard input does, and then prints how many cycles a busy
machine left it out of: what arrived in those is lost without any fault of the sender.
"""

import sys

import jack


def main() -> None:
    client = jack.Client(sys.argv[1], no_start_server=True)
    lose = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    source = client.midi_inports.register("in")
    sink = client.midi_outports.register("out")
    count, due, missed = [0], [0], [0]

    def process(frames: int) -> None:
        sink.clear_buffer()
        base = client.last_frame_time
        if due[0] and base != due[0]:
            missed[0] += 1
        due[0] = base + frames
        for offset, data in source.incoming_midi_events():
            count[0] += 1
            if not lose or count[0] % lose:
                sink.write_midi_event(offset, data)

    client.set_process_callback(process)
    client.activate()
    print("ready", flush=True)
    sys.stdin.read()
    client.deactivate()
    client.close()
    print(missed[0], flush=True)


if __name__ == "__main__":
    main()
