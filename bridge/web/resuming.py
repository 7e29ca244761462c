"""What pages were sent lately, so that one which comes back after a gap gets only what changed.

Each state and each change that a page is sent has a number. A page that comes back says up to
which number it has got, since what was under way when its connection broke is lost, and the next
change is worked out from the state of that number. States share their parts, so that a few of them
cost little more than one.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict, deque

from bridge.protocol.state import State

STATES_KEPT = 64  # two seconds of changes: more cannot be under way to a page that is not dropped
TRAILS_KEPT = 32
RESUME_S = 120.0  # a tablet that sleeps longer gets the whole state
NAME_BYTES = 12


class Trail:
    """The last states that one page was sent, by number. `name` is what it comes back with."""

    def __init__(self) -> None:
        self.name = secrets.token_urlsafe(NAME_BYTES)
        self._number = 0
        self._states: deque[tuple[int, State]] = deque(maxlen=STATES_KEPT)

    def add(self, state: State) -> int:
        """Notes a state that is sent now and returns its number."""
        self._number += 1
        self._states.append((self._number, state))
        return self._number

    def back_to(self, number: int) -> State | None:
        """Forgets what came after `number`, which the page has not got, and returns the state of
        that number; None when it is not known any more."""
        known = next((state for at, state in self._states if at == number), None)
        if known is not None:
            self._number = number
            while self._states[-1][0] != number:
                self._states.pop()
        return known


class Trails:
    """Those of pages that have gone and may come back. Times are monotonic seconds."""

    def __init__(self) -> None:
        self._parked: OrderedDict[str, tuple[Trail, float]] = OrderedDict()

    def park(self, trail: Trail, now: float) -> None:
        """Keeps the trail of a page that has gone."""
        self._parked[trail.name] = trail, now + RESUME_S
        while len(self._parked) > TRAILS_KEPT:
            self._parked.popitem(last=False)

    def take(self, name: str, now: float) -> Trail | None:
        """The trail of a page that comes back in time; it is kept here no longer."""
        trail, end = self._parked.pop(name, (None, 0.0))
        return trail if now < end else None
