"""``python -m bridge.service``: the service process, as the supervisor starts it.

Exit code 0 after SIGTERM or SIGINT, 1 when it cannot start (said on standard error), 2 for wrong
arguments. The token of ``--lan`` comes in the environment, where other users cannot read it.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
import signal
import sys
from pathlib import Path

from bridge.errors import BridgeError
from bridge.service import logs
from bridge.service.app import ServiceOptions, serve

SWITCH_S = 0.0005
"""Charts are worked out in a thread; with Python's own 5 ms the loop, which gives the interpreter
lock away at every send, would wait that long for it each time, and a finger with it."""


def parse(argv: list[str] | None = None) -> ServiceOptions:
    """Options from the command line and the environment."""
    parser = argparse.ArgumentParser(prog="python -m bridge.service", description=__doc__)
    parser.add_argument("--rig", type=Path, required=True)
    parser.add_argument("--set", type=Path, required=True)
    parser.add_argument("--socket", type=Path, required=True, help="the player's socket")
    parser.add_argument("--port", type=int, default=8420, help="HTTP (0: any free port)")
    parser.add_argument("--osc-port", type=int, default=8421, help="OSC (0: any free port)")
    parser.add_argument("--lan", action="store_true", help="listen on the network too")
    parser.add_argument("--state-dir", type=Path, help="where the working text is kept")
    given = parser.parse_args(argv)
    token = os.environ.get("LANEBRIDGE_TOKEN") or None
    if given.lan and token is None:
        parser.error("--lan needs LANEBRIDGE_TOKEN")
    for name in ("port", "osc_port"):
        if not 0 <= getattr(given, name) <= 65535:
            parser.error(f"--{name.replace('_', '-')} is from 0 to 65535")
    return ServiceOptions(
        rig=given.rig,
        set=given.set,
        socket=given.socket,
        http_port=given.port,
        osc_port=given.osc_port,
        lan=given.lan,
        token=token,
        state_dir=given.state_dir,
        announce=given.lan,
    )


async def run(options: ServiceOptions, summary: logs.Summary) -> None:
    stop = asyncio.Event()
    said = asyncio.create_task(_tell_missed(summary))
    loop = asyncio.get_running_loop()
    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, stop.set)
    try:
        await serve(options, stop, settle=settle)
    finally:
        said.cancel()
        logs.tell_missed(summary)


async def _tell_missed(summary: logs.Summary) -> None:
    while True:
        await asyncio.sleep(logs.WINDOW_S)
        logs.tell_missed(summary)


def settle() -> None:
    """What is loaded now stays: the garbage collector need not look at it again (measured: 50 ms
    at a time, in which no finger is heard)."""
    gc.collect()
    gc.freeze()


def main(argv: list[str] | None = None) -> int:
    options = parse(argv)
    sys.setswitchinterval(SWITCH_S)
    summary = logs.set_up(sys.stderr)
    try:
        asyncio.run(run(options, summary))
    except BridgeError as error:
        print(error, file=sys.stderr)
        return 1
    except OSError as error:
        print(f"cannot listen: {error.strerror or error}", file=sys.stderr)
        return 1
    except BaseExceptionGroup as group:
        print(f"the service has failed: {group.exceptions[0]!r}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
