"""``python -m bridge.service OPTIONS``: the service process, as the supervisor starts it.

Exit code 0 after SIGTERM or SIGINT, 1 when it cannot start (said on standard error), 2 for wrong
options. The token for the network comes in the environment, where other users cannot read it.
"""

from __future__ import annotations

import asyncio
import gc
import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from bridge.control.stream import ScoreChanged, Stream
from bridge.errors import BridgeError
from bridge.service import logs
from bridge.service.app import ServiceOptions, serve
from bridge.supervisor import voice
from bridge.supervisor.voice import Voice

PATHS = ("rig", "set", "socket", "state_dir")
ALIVE_S = 1.0
SWEEP_S = 1.0
"""What the last score leaves is collected so long after the next one sounds: its chart is drawn."""
SWITCH_S = 0.0005
"""Charts are worked out in a thread; with Python's own 5 ms the loop, which gives the interpreter
lock away at every send, would wait that long for it each time, and a finger with it."""


def parse(argv: list[str] | None = None) -> ServiceOptions:
    """Options from the command line and the environment.

    Args:
        argv: one word, a JSON object whose names are those of `ServiceOptions`; that of the
            command line where it is not given.

    Raises:
        SystemExit: with 2, if the options are wrong.
    """
    token = os.environ.get("LANEBRIDGE_TOKEN") or None
    try:
        (text,) = sys.argv[1:] if argv is None else argv
        given = json.loads(text)
        given |= {name: Path(given[name]) for name in PATHS if given.get(name)}
        options = ServiceOptions(**given, token=token, announce=bool(given.get("lan")))
        if options.lan and token is None:
            raise ValueError("for the network, LANEBRIDGE_TOKEN must hold a token")
    except (TypeError, ValueError, AttributeError) as error:
        print(f"usage: python -m bridge.service OPTIONS\n{error}", file=sys.stderr)
        sys.exit(2)
    return options


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
