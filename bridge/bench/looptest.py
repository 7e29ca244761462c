"""The self-test of an adapter: a thousand mixed messages out, the same messages back in.

Cheap adapters lose or mangle messages that come close together. With a MIDI cable from the output
to an input this sends a fixed mixture, compares what returns, and says what was lost, changed or
out of order, and how long each message took.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

COUNT = 1000


@dataclass(frozen=True, slots=True)
class LoopResult:
    """`lost` never came back, `foreign` came back changed or was never sent, `reordered` came back
    after a later one; `latency_ms` has one figure per message that came back."""

    sent: int
    received: int
    lost: int
    foreign: int
    reordered: int
    latency_ms: tuple[float, ...]

    @property
    def good(self) -> bool:
        return not (self.lost or self.foreign or self.reordered)

    def words(self) -> list[str]:
        """The verdict, in lines."""
        lines = [
            f"sent {self.sent}, came back {self.received}, lost {self.lost}, "
            f"changed or foreign {self.foreign}, out of order {self.reordered}"
        ]
        if len(self.latency_ms) > 1:
            shares = statistics.quantiles(self.latency_ms, n=100, method="inclusive")
            lines.append(
                f"there and back: median {shares[49]:.2f} ms, "
                f"99 of 100 within {shares[98]:.2f} ms, "
                f"slowest {max(self.latency_ms):.2f} ms"
            )
        if self.good:
            lines.append("This adapter is fit to play with.")
        elif not self.received:
            lines.append("Nothing came back: is the cable in, and is it the right input?")
        else:
            lines.append("Do not play with this adapter: it loses or changes messages.")
        return lines


def mixture(count: int = COUNT, seed: int = 1) -> list[bytes]:
    """Messages of every kind an interface is sent: notes on and off, controllers, bend, pressure,
    clock. Neighbours differ, so that a doubled message is seen.

    Args:
        count: how many.
        seed: the same seed gives the same messages.
    """
    rng = Random(seed)
    messages: list[bytes] = []
    while len(messages) < count:
        channel, a, b = rng.randrange(16), rng.randrange(120), rng.randrange(1, 128)
        kind = rng.randrange(10)
        if kind < 4:
            message = bytes((0x90 | channel, a, b))
        elif kind < 6:
            message = bytes((0x80 | channel, a, 64))
        elif kind < 8:
            message = bytes((0xB0 | channel, a, b))
        elif kind < 9:
            message = bytes((0xE0 | channel, b, a))
        else:
            message = bytes((0xF8,))
        if not messages or messages[-1] != message:
            messages.append(message)
    return messages


def judge(sent: Sequence[tuple[int, bytes]], received: Sequence[tuple[int, bytes]]) -> LoopResult:
    """Compares what was sent with what came back.

    Args:
        sent: pairs of ns and one whole message, in order of time.
        received: the same of what came back; ns of the same clock.
    """
    waiting: dict[bytes, list[int]] = {}
    for place, (_, message) in enumerate(sent):
        waiting.setdefault(message, []).append(place)
    for queue in waiting.values():
        queue.reverse()
    furthest, foreign, reordered = -1, 0, 0
    latency = []
    for ns, message in received:
        places = waiting.get(message)
        if not places:
            foreign += 1
            continue
        place = places.pop()
        latency.append((ns - sent[place][0]) / 1e6)
        if place < furthest:
            reordered += 1
        furthest = max(furthest, place)
    lost = len(sent) - len(latency)
    return LoopResult(len(sent), len(received), lost, foreign, reordered, tuple(latency))
