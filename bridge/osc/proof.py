"""Whether an address is its sender's own, before anything is sent to it by UDP.

The sender of a datagram can be forged, so a datagram alone must not have us send a stream to the
address that it names. A host that has come by a connection has shown that it gets what is sent to
it. Any other one is sent a word, once a second at most, to the port that it asks for; when the word
comes back from the same address (``/confirm s``), what was asked for is done.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from typing import NamedTuple

from bridge.osc.feedback import PORT_LEAST, To
from bridge.osc.query import message

WORD_BYTES = 9
BETWEEN_S = 1.0  # between two words to one host
GOOD_S = 30.0  # a word that comes back later is none
HOSTS_MAX = 64  # that have been sent a word and have not answered


class _Asked(NamedTuple):
    word: str
    at: float
    then: Callable[[], None]


class Proofs:
    """The words that have not come back yet. `send` sends one datagram, `clock` is monotonic."""

    def __init__(
        self, send: Callable[[bytes, To], None], *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._send = send
        self._clock = clock
        self._asked: OrderedDict[str, _Asked] = OrderedDict()

    def ask(self, to: To, then: Callable[[], None]) -> bool:
        """Sends a word; `then` is called when it comes back.

        Returns:
            False when none is sent: the host was just asked, or the port is none to answer to.
        """
        host, port = to
        now = self._clock()
        before = self._asked.get(host)
        if not PORT_LEAST <= port <= 65535 or (before and now - before.at < BETWEEN_S):
            return False
        self._asked.pop(host, None)
        word = secrets.token_urlsafe(WORD_BYTES)
        self._asked[host] = _Asked(word, now, then)
        while len(self._asked) > HOSTS_MAX:
            self._asked.popitem(last=False)
        self._send(message("/confirm", word), to)
        return True

    def heard(self, host: str, word: object) -> Callable[[], None] | None:
        """What was asked for, when `word` is the one that was sent to the host; it is good once."""
        asked = self._asked.get(host)
        if asked is None or not isinstance(word, str) or self._clock() - asked.at > GOOD_S:
            return None
        if not hmac.compare_digest(word.encode("utf-8", "surrogatepass"), asked.word.encode()):
            return None
        del self._asked[host]
        return asked.then
