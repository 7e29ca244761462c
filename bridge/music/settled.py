"""What stays as it is until a command changes it, as seen from one tick."""

from __future__ import annotations

from bridge.music.crossing import Rounds
from bridge.music.ensemble import Ensemble
from bridge.music.shapes import ShapeNode


class Settled:
    """Answers about the lanes of an ensemble from `tick` on."""

    def __init__(self, ensemble: Ensemble, tick: int) -> None:
        self._ensemble, self._tick = ensemble, tick
        self._waits = ensemble.performance.next_change(tick) is not None

    def setting(self, lane: int, name: str) -> float | None:
        """The value of a setting that only a command can change; None for any other."""
        if self._waits or not self._ensemble.performance.fixed(lane, name, self._tick):
            return None
        return self._ensemble.settings.setting(lane, name, self._tick)

    def unmuted(self, lane: int) -> bool:
        """Whether a lane is heard until a command mutes it."""
        return not self._waits and not self._ensemble.performance.muted(lane, self._tick)

    def rounds(self, lane: int) -> Rounds | None:
        """A lane of values that repeats; None for any other."""
        node = self._ensemble.nodes[lane]
        if self._waits or not isinstance(node, ShapeNode):
            return None
        period = node.period(self._tick, self._ensemble.version)
        return None if period is None else Rounds(node.coming_value, period[0], self._tick)
