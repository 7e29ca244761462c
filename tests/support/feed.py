"""An audio input without audio: sound that is computed, handed on in blocks on a clock of its own."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator

import numpy as np

from bridge.listen.audio import Block, Samples

Render = Callable[[int], Samples]


class Feed:
    """A `Listener` whose time goes on only while it is listened to.

    Args:
        render: gives the next n samples, as a voice of `support.rack` does.
        rate: samples a second.
        frames: samples in a block.
        name: what the input is called.
        start_ns: the time of its first sample.
    """

    def __init__(
        self,
        render: Render,
        rate: float = 48000.0,
        frames: int = 256,
        name: str = "feed",
        start_ns: int = 0,
    ) -> None:
        self.render = render
        self.rate = rate
        self.name = name
        self.frames = frames
        self.closed = False
        self._next = 0
        self._start_ns = start_ns

    @property
    def now_ns(self) -> int:
        """The time to which the sound has been computed."""
        return self._start_ns + round(self._next * 1e9 / self.rate)

    def blocks(self) -> Iterator[Block]:
        for _ in itertools.count():
            first, ns = self._next, self.now_ns
            self._next += self.frames
            yield Block(first, ns, np.asarray(self.render(self.frames), dtype=np.float32))

    def pass_by(self, seconds: float) -> None:
        """Lets time go on with nobody listening."""
        for _ in range(math.ceil(seconds * self.rate / self.frames)):
            self._next += self.frames
            self.render(self.frames)

    def close(self) -> None:
        self.closed = True
