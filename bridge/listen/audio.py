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

PATIENCE_S = 8.0
"""How long a piece without a gap is waited for, at least."""

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
    """An unbroken piece of sound: `ns` is when its first sample was taken."""

    ns: int
    rate: float
    samples: Samples

    @property
    def end_ns(self) -> int:
        """When the sample after its last one is taken."""
        return self.ns + round(len(self.samples) * 1e9 / self.rate)


def gather(blocks: Iterator[Block], rate: float, since_ns: int, seconds: float) -> Take:
    """Waits for `seconds` of sound without a gap, none of it taken before `since_ns`.

    Args:
        blocks: those of a listener; the iterator may be used on.
        rate: the listener's rate.
        since_ns: monotonic time; whatever is older is let go.
        seconds: length of the piece.

    Raises:
        ListenError: as the listener does, or gaps leave no such piece.
    """
    wanted = round(seconds * rate)
    begun: int | None = None
    parts: list[Samples] = []
    start, have, following = 0, 0, 0
    for block in blocks:
        skip = max(0, -(-(since_ns - block.ns) * round(rate) // 1_000_000_000))
        if skip >= len(block.samples):
            continue
        begun = block.ns if begun is None else begun
        if block.ns - begun > (PATIENCE_S + 4 * seconds) * 1e9:
            raise wrong.lost()
        if not parts or block.first != following:
            parts, have = [], 0
            start = block.ns + round(skip * 1e9 / rate)
        else:
            skip = 0
        piece = block.samples[skip : skip + wanted - have]
        parts.append(piece)
        have += len(piece)
        following = block.first + len(block.samples)
        if have >= wanted:
            break
    return Take(start, rate, np.concatenate(parts) if parts else np.zeros(0, np.float32))
