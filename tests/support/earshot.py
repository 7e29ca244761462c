"""A rack within earshot, on a clock of its own: gates strike drums, an input hears them.

Sound is computed only as time goes on, and time goes on only when somebody waits or listens, so
every moment is exact to the sample and no test waits.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from typing import Literal

import numpy as np
from support.drums import RATE, Drum
from support.rack import Hiss, Hum, Tone

from bridge.listen import wrong
from bridge.listen.audio import Block, Samples

FRAMES = 256
HELD = 400  # blocks, as an input holds some seconds


class Earshot:
    """What moves the outputs (`Hands`); `ear` listens to them.

    Args:
        drums: the voice behind each gate, by full name; None where the cable is dead.
        tones: the voice behind each pitch output, with the gate that lets it through.
        noise_db, hum_db: of the room, RMS re full scale.
        on_level: called with an output and its volts when a level moves.
    """

    def __init__(
        self,
        drums: Mapping[str, Drum | None],
        tones: Mapping[str, tuple[Tone, str | None]] | None = None,
        *,
        noise_db: float = -50.0,
        hum_db: float = -50.0,
        seed: int = 1,
        on_level: Callable[[Earshot, str, float], None] = lambda world, output, volts: None,
    ) -> None:
        self.name = "ears"
        self.rate = RATE
        self.drums = dict(drums)
        self.tones = dict(tones or {})
        self.gain = 1.0
        self.dead_after_s: float | None = None
        self.loses: Callable[[int], bool] = lambda block: False
        self._number = 0
        self.moves: list[tuple[str, str, float]] = []
        self._noise = Hiss(10 ** (noise_db / 20), seed)
        self._hum = Hum(RATE, level=10 ** (hum_db / 20) * 1.3 / 0.76)  # its RMS is 0.76 / 1.3
        self._on_level = on_level
        self._made = 0
        self._blocks: deque[Block] = deque(maxlen=HELD)
        self._ringing: list[tuple[int, Samples]] = []
        self._count = 0
        for tone, gate in self.tones.values():
            tone.gate = 0.0 if gate else 1.0

    # --- hands ---------------------------------------------------------------------------------

    def now_ns(self) -> int:
        return round(self._made * 1e9 / RATE)

    def open(self, output: str, level: float) -> int:
        self.moves.append((output, "open", level))
        drum = self.drums.get(output)
        if drum is not None:
            self._count += 1
            self._ringing.append((self._made, drum.hit(self._count)))
        for tone, gate in self.tones.values():
            if gate == output:
                tone.gate = level
        return self.now_ns()

    def close(self, output: str) -> int:
        self.moves.append((output, "close", 0.0))
        for tone, gate in self.tones.values():
            if gate == output:
                tone.gate = 0.0
        return self.now_ns()

    def value(self, output: str, what: Literal["pitch", "level"], value: float) -> int:
        self.moves.append((output, what, value))
        if what == "pitch" and output in self.tones:
            self.tones[output][0].volts = (value - 24.0) / 12.0  # C1, note 24, is 0 V
        if what == "level":
            self._on_level(self, output, value)
        return self.now_ns()

    def rest(self, output: str) -> None:
        self.moves.append((output, "rest", 0.0))
        self._on_level(self, output, 0.0)

    def wait(self, seconds: float) -> None:
        goal = self._made + round(seconds * RATE)
        while self._made < goal:
            self._render(min(FRAMES, goal - self._made))

    # --- an ear --------------------------------------------------------------------------------

    @property
    def ear(self) -> Ear:
        return Ear(self)

    def blocks(self) -> Iterator[Block]:
        while True:
            while not self._blocks:
                self._render(FRAMES)
            yield self._blocks.popleft()

    def _render(self, count: int) -> None:
        if self.dead_after_s is not None and self._made > self.dead_after_s * RATE:
            raise wrong.gone(self.name)
        first, self._made = self._made, self._made + count
        if self.gain == 0.0:
            sound = np.zeros(count, np.float32)
        else:
            sound = self._noise.render(count) + self._hum.render(count)
            for begin, hit in self._ringing:
                piece = hit[max(0, first - begin) : max(0, first - begin + count)]
                at = max(0, begin - first)
                sound[at : at + len(piece)] += piece
            for tone, _ in self.tones.values():
                sound += tone.render(count)
        self._ringing = [(b, hit) for b, hit in self._ringing if b + len(hit) > self._made]
        loud = np.clip(self.gain * sound, -1.0, 1.0).astype(np.float32)
        self._number += 1
        if not self.loses(self._number):
            self._blocks.append(Block(first, round(first * 1e9 / RATE), loud))


class Ear:
    """The input's side of an `Earshot`."""

    def __init__(self, world: Earshot) -> None:
        self._world = world
        self.name = world.name
        self.rate = world.rate

    def blocks(self) -> Iterator[Block]:
        return self._world.blocks()

    def close(self) -> None:
        """Nothing is held by it."""
