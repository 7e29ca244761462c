"""An audio input as a run of blocks that know when they were taken.

Audio runs in the command or the service, never in the player. A listener holds the last few seconds
at most, for whoever measures; nothing is written anywhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from bridge.listen import wrong

PATIENCE_S, PATIENCE = 4.0, 6.0
"""A piece without a gap is waited for so long, and so many times its own length besides."""

HELD_S = 4.0
"""Sound that an input holds for whoever measures; older sound is let go."""

Samples = NDArray[np.float32]
Wide = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Some samples of one channel.

    Args:
        first: the number of the first sample since the stream began; lost samples are counted, so
            that a gap in the numbers is a gap in the sound.
        ns: monotonic time at which that sample was taken.
        samples: mono, full scale is -1 to 1.
    """

    first: int
    ns: int
    samples: Samples


class Listener(Protocol):
    """One channel of an audio input."""

    @property
    def name(self) -> str: ...

    @property
    def rate(self) -> float:
        """Samples a second."""
        ...

    def blocks(self) -> Iterator[Block]:
        """Blocks as they come, waiting for each. What was not asked for in time is dropped from the
        old end. Raises `ListenError` when the input stops or cannot be trusted."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """An unbroken piece of sound: `ns` is when its first sample was taken. It came in blocks of
    `block` samples (0: of several lengths), one of which began at `block_ns`."""

    ns: int
    rate: float
    samples: Samples
    block: int = 0
    block_ns: int = 0

    @property
    def end_ns(self) -> int:
        """When the sample after its last one is taken."""
        return self.ns + round(len(self.samples) * 1e9 / self.rate)


def gather(ear: Listener, since_ns: int, seconds: float) -> Take:
    """Waits for `seconds` of sound without a gap, none of it taken before `since_ns`.

    Args:
        ear: an input; whoever listens to it next goes on after this piece.
        since_ns: monotonic time; whatever is older is let go.
        seconds: length of the piece.

    Raises:
        ListenError: as the listener does, or samples are lost so often that there is no such piece.
    """
    rate = ear.rate
    wanted = round(seconds * rate)
    patience_s = PATIENCE_S + PATIENCE * seconds
    parts: list[Samples] = []
    begun: int | None = None
    lengths: set[int] = set()
    block_ns = 0
    start, have, following, came = 0, 0, 0, 0
    for block in ear.blocks():
        # Time goes on with each block, but may stand where an input's own time is wrong: then what
        # has come is counted.
        came += len(block.samples)
        skip = max(0, -(-(since_ns - block.ns) * round(rate) // 1_000_000_000))
        if skip < len(block.samples) and begun is None:
            begun = block.ns
        waited_ns = 0 if begun is None else block.ns - begun
        if waited_ns > patience_s * 1e9 or came > (patience_s + HELD_S) * rate:
            raise wrong.losing(ear.name)
        if skip >= len(block.samples):
            continue
        if not parts or block.first != following:
            parts, have = [], 0
            lengths.clear()
            start = block.ns + round(skip * 1e9 / rate)
        else:
            skip = 0
        lengths.add(len(block.samples))
        block_ns = block.ns
        piece = block.samples[skip : skip + wanted - have]
        parts.append(piece)
        have += len(piece)
        following = block.first + len(block.samples)
        if have >= wanted:
            length = lengths.pop() if len(lengths) == 1 else 0
            return Take(start, rate, np.concatenate(parts), length, block_ns)
    raise wrong.gone(ear.name)
