"""What a service hears in tests: an `Earshot` that its player strikes by way of the door."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

from support.earshot import Ear, Earshot

from bridge.bench.ear_work import BenchHands
from bridge.listen import wrong


def hands_of(world: Earshot) -> type[BenchHands]:
    """Hands that move a world along with the player."""

    class Hands(BenchHands):
        def now_ns(self) -> int:
            return world.now_ns()

        def wait(self, seconds: float) -> None:
            super().wait(0.0)
            world.wait(seconds)

        def open(self, output: str, level: float) -> int:
            super().open(output, level)
            return world.open(output, level)

    return Hands


def ears_of(world: Earshot) -> Callable[[str, int], contextlib.AbstractContextManager[Ear]]:
    """Opens the input called ``ears``."""

    @contextlib.contextmanager
    def ears(wanted: str, channel: int) -> Iterator[Ear]:
        if wanted != "ears":
            raise wrong.no_device(wanted, ["ears"])
        yield world.ear

    return ears
