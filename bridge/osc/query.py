"""Answers to ``/addresses``: which addresses there are, sent to the host that asks.

An answer is much longer than its question, so that a forged sender could aim it at somebody else.
So only hosts that may send OSC get one, one each second and one at a time, at the pace of
feedback.
"""

from __future__ import annotations

import asyncio
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence

from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.osc.feedback import PORT_LEAST, ROUND_MESSAGES, ROUND_S, To
from bridge.osc.words import entry_of

BETWEEN_S = 1.0  # between two answers to one host
HOSTS_MOST = 64  # hosts whose last answer is remembered
AT_ONCE_MOST = 8  # answers that are being sent


def message(address: str, *args: str | int) -> bytes:
    """One message with texts and whole numbers."""
    builder = OscMessageBuilder(address=address)
    for arg in args:
        builder.add_arg(arg, "s" if isinstance(arg, str) else "i")
    data: bytes = builder.build().dgram
    return data


def answer(addresses: Sequence[str]) -> list[bytes]:
    """The messages that tell these addresses."""
    found = [
        message("/address", address, entry.tags, _plain(entry.told), _plain(entry.says))
        for address in addresses
        if (entry := entry_of(address)) is not None
    ]
    return [*found, message("/addresses/end", len(found))]


def _plain(text: str) -> str:
    return text.replace("`", "")


class Answers:
    """Sends answers. `send` sends one datagram, `clock` is monotonic."""

    def __init__(
        self, send: Callable[[bytes, To], None], *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._send = send
        self._clock = clock
        self._last: OrderedDict[str, float] = OrderedDict()
        self._tasks: set[asyncio.Task[None]] = set()

    def give(self, to: To, addresses: Sequence[str]) -> bool:
        """Begins an answer; False when it cannot be: the port is none for feedback, the host asks
        too often, or too many are answered."""
        now = self._clock()
        host, port = to
        if 0 <= port < PORT_LEAST or port > 65535 or len(self._tasks) >= AT_ONCE_MOST:
            return False
        if now - self._last.get(host, float("-inf")) < BETWEEN_S:
            return False
        self._last.pop(host, None)
        self._last[host] = now
        while len(self._last) > HOSTS_MOST:
            self._last.popitem(last=False)
        task = asyncio.get_running_loop().create_task(self._paced(to, answer(addresses)))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return True

    async def _paced(self, to: To, messages: list[bytes]) -> None:
        for first in range(0, len(messages), ROUND_MESSAGES):
            for data in messages[first : first + ROUND_MESSAGES]:
                self._send(data, to)
            await asyncio.sleep(ROUND_S)

    def close(self) -> None:
        """Ends what is being sent."""
        for task in self._tasks:
            task.cancel()
