"""When a tape is told where everything stands, so that a take can be played again from there.

To see how things stand is quick. To make of it what a tape takes is not, and waits until nothing is
due for so long: no hit is late for it.
"""

from __future__ import annotations

from collections.abc import Callable

from bridge.music import place
from bridge.music.score import Score
from bridge.player.part import Part
from bridge.player.tape import Tape

EVERY_BARS = 64
LANE_NS = 100_000
"""What it takes for each lane, as long as that was not measured. With the factor that is kept free
it is six times what an ordinary computer was seen to need (0.03 ms a lane): a small board is four
to six times slower."""
SPARE_NS = 2_500_000
"""What must be left of the time at hand."""


class Stands:
    """Tells it of each begin and jump, and every `EVERY_BARS`, where there is time for it."""

    def __init__(self, clock: Callable[[], int]) -> None:
        self._clock = clock
        self._next = 0
        self._cost = 0
        self._measured: Score | None = None
        self._seen: tuple[dict[str, object], int] | None = None
        """How it stood at a begin that was not told yet, and what the tape had noted then."""

    def begin(self, tape: Tape | None, part: Part, *, fresh: bool) -> None:
        """Playing begins, or has jumped; `fresh`: with the song itself, and nothing was before."""
        self._seen = None
        if fresh:
            self._next = part.rendered + EVERY_BARS * part.score.spec.bar_ticks
            return
        self._next = 0
        if tape is not None and not part.swap_waits and not part.seeking:
            self._seen = part.stands(), tape.changes

    @property
    def waits(self) -> bool:
        """Whether the tape was not told yet how things stood at the last begin."""
        return self._seen is not None

    def soon(self) -> None:
        """Something was left out: what follows does not follow from what came before."""
        self._seen, self._next = None, 0

    def look(self, tape: Tape | None, part: Part, slack: Callable[[int], int]) -> None:
        """Called after rendering; `slack` says how many ns are at hand at a time."""
        if tape is None or part.rendered < self._next:
            return
        if slack(self._clock()) > SPARE_NS + 2 * self._expected(part.score):
            self._tell(tape, part)

    def _expected(self, score: Score) -> int:
        return self._cost if score is self._measured else LANE_NS * len(score.lanes)

    def _tell(self, tape: Tape, part: Part) -> None:
        if self._seen is not None and self._seen[1] != tape.changes:
            self._seen = None  # a hand was there since: whoever reads it takes marks in their order
        if self._seen is None and (part.swap_waits or part.seeking):
            return
        begun, seen = self._clock(), self._seen

        def facts() -> dict[str, object]:
            found = part.stands() if seen is None else seen[0]
            return {**found, "place": place.plain(found["place"])}

        if tape.stands(begun, facts):
            self._seen = None
            self._next = part.rendered + EVERY_BARS * part.score.spec.bar_ticks
            self._cost, self._measured = self._clock() - begun, part.score
        elif seen is None:
            self._next = 0  # as soon as it may
