"""When a tape is told where everything stands, so that a take can be played again from there."""

from __future__ import annotations

from collections.abc import Callable

from bridge.player.part import Part
from bridge.player.tape import Tape

EVERY_BARS = 64
COST_NS = 2_000_000
"""What it takes, as long as that was not measured."""
SPARE_NS = 2_500_000
"""What must be left of the time at hand."""


class Stands:
    """Tells it at each begin and jump, and every `EVERY_BARS` where there is time for it."""

    def __init__(self, clock: Callable[[], int]) -> None:
        self._clock = clock
        self._next = 0
        self._cost = COST_NS

    def begin(self, tape: Tape | None, part: Part, *, fresh: bool) -> None:
        """Playing begins, or has jumped; `fresh`: with the song itself, and nothing was before."""
        self._next = part.rendered + EVERY_BARS * part.score.spec.bar_ticks
        if not fresh:
            self.tell(tape, part)

    def soon(self) -> None:
        """Something was left out: what follows does not follow from what came before."""
        self._next = 0

    def look(self, tape: Tape | None, part: Part, slack: Callable[[int], int]) -> None:
        """Called after rendering; `slack` says how many ns are at hand at a time."""
        if tape is None or part.rendered < self._next:
            return
        if slack(self._clock()) > SPARE_NS + 2 * self._cost:
            self.tell(tape, part)

    def tell(self, tape: Tape | None, part: Part) -> None:
        """Called where the renderer stands and nothing waits to be changed."""
        if tape is None or part.swap_waits or part.seeking:
            return
        begun = self._clock()
        if not tape.stands(begun, part.stands):
            self._next = 0  # as soon as it may
            return
        self._next = part.rendered + EVERY_BARS * part.score.spec.bar_ticks
        self._cost = self._clock() - begun
