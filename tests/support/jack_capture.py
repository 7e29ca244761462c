"""What two audio ports sound, side by side, as a JACK client.

usage: jack_capture.py FILE.npz PORT PORT

Prints ``ready``, and writes ``first`` and ``second`` (samples) when its standard input ends.
"""

from __future__ import annotations

import sys
from typing import Any

import jack
import numpy as np


def main() -> None:
    path, *sources = sys.argv[1:]
    client = jack.Client("capture", no_start_server=True)
    lines = [client.inports.register(f"in-{number}") for number in range(len(sources))]
    heard: list[list[Any]] = [[] for _ in sources]

    def process(frames: int) -> None:
        for line, pieces in zip(lines, heard, strict=True):
            pieces.append(line.get_array().copy())

    client.set_process_callback(process)
    client.activate()
    for source, line in zip(sources, lines, strict=True):
        client.connect(source, line)
    print("ready", flush=True)
    sys.stdin.read()
    client.deactivate()
    first, second = (np.concatenate(pieces) for pieces in heard)
    np.savez(path, first=first, second=second)
    client.close()


if __name__ == "__main__":
    main()
