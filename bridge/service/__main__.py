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
from collections.abc import Callable
from pathlib import Path

from bridge.control.stream import ScoreChanged, Stream
from bridge.errors import BridgeError
from bridge.protocol.ports import HTTP_PORT, OSC_PORT
from bridge.service import logs
from bridge.service.app import ServiceOptions, serve
from bridge.supervisor import voice
from bridge.supervisor.voice import Voice

ALIVE_S = 1.0
SWEEP_S = 1.0
"""What the last score leaves is collected so long after the next one sounds: its chart is drawn."""
SWITCH_S = 0.0005
"""Charts are worked out in a thread; with Python's own 5 ms the loop, which gives the interpreter
lock away at every send, would wait that long for it each time, and a finger with it."""


def parse(argv: list[str] | None = None) -> ServiceOptions:
    """Options from the command line and the environment."""
    parser = argparse.ArgumentParser(prog="python -m bridge.service", description=__doc__)
    parser.add_argument("--rig", type=Path, required=True)
    parser.add_argument("--set", type=Path, required=True)
    parser.add_argument("--socket", type=Path, required=True, help="the player's socket")
    parser.add_argument("--port", type=int, default=HTTP_PORT, help="HTTP (0: any free port)")
    parser.add_argument("--osc-port", type=int, default=OSC_PORT, help="OSC (0: any free port)")
    parser.add_argument("--lan", action="store_true", help="listen on the network too")
    parser.add_argument("--state-dir", type=Path, help="where the working text is kept")
    parser.add_argument("--run", default="", help="the name of the run that it belongs to")
    parser.add_argument("--log-json", action="store_true", help="log lines as JSON objects")
    parser.add_argument("--log-least", choices=voice.LEVELS, default="info", help="what is logged")
    parser.add_argument("--memory", type=int, help="a handle on what outlives this process")
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
        run=given.run,
        log_json=given.log_json,
        log_least=given.log_least,
        memory=given.memory,
        announce=given.lan,
    )


async def run(options: ServiceOptions, summary: logs.Summary, words: Voice) -> None:
    stop = asyncio.Event()
    said = asyncio.create_task(_tell_missed(summary))
    ready = asyncio.Event()
    alive = asyncio.create_task(_say_alive(words, ready))

    def tell(text: str) -> None:
        words.line(text)
        ready.set()

    loop = asyncio.get_running_loop()
    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, stop.set)
    try:
        await serve(options, stop, tell, settle=lambda stream: settle(stream, loop.call_later))
    finally:
        said.cancel()
        alive.cancel()
        logs.tell_missed(summary)


async def _tell_missed(summary: logs.Summary) -> None:
    while True:
        await asyncio.sleep(logs.WINDOW_S)
        logs.tell_missed(summary)


async def _say_alive(words: Voice, ready: asyncio.Event) -> None:
    """For whoever watches over this process: its loop goes round."""
    await ready.wait()
    while True:
        words.line("alive")
        await asyncio.sleep(ALIVE_S)


def settle(stream: Stream, later: Callable[[float, Callable[[], object]], object]) -> None:
    """What is loaded now stays: the garbage collector need not look at it again (measured: 50 ms
    at a time, in which no finger is heard).

    But it goes by how much there was, and lets a quarter of that gather before it looks at what is
    old: tens of scores with their renderers, which refer to themselves, and some ten megabytes. So
    what a score leaves is collected soon after the next one sounds.

    Args:
        stream: says when another score sounds.
        later: calls a function after so many seconds.
    """
    gc.collect()
    gc.freeze()
    waiting = False

    def collect() -> None:
        nonlocal waiting
        waiting = False
        gc.collect()

    def heard(_: ScoreChanged) -> None:
        nonlocal waiting
        if not waiting:
            waiting = True
            later(SWEEP_S, collect)

    stream.on(ScoreChanged, heard)


def main(argv: list[str] | None = None) -> int:
    options = parse(argv)
    sys.setswitchinterval(SWITCH_S)
    words = voice.standard()
    log = voice.Log(
        "service", voice.standard(lambda: sys.stderr, 2), options.log_json, options.log_least
    )
    summary = logs.set_up(logs.Handler(log), options.log_least)
    try:
        asyncio.run(run(options, summary, words))
    except BridgeError as error:
        log.say(str(error), "error")
    except OSError as error:
        log.say(f"cannot listen: {error.strerror or error}", "error")
    except BaseExceptionGroup as group:
        log.say(f"the service has failed: {group.exceptions[0]!r}", "error")
    else:
        return 0
    finally:
        words.close()
        log.close()
    return 1


if __name__ == "__main__":
    sys.exit(main())
