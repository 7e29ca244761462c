"""The state as pages see it, made once for all pages that look at the same moment.

A hundred pages that follow the same song are nearly all sent the same changes: the state, the
difference to what was sent last, and its text are worked out for the first page that asks and kept
for the others.
"""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Callable, Mapping

from bridge.control.view import View, merge_patch
from bridge.protocol.state import State

PAIRS_KEPT = 32  # pages differ in what they were sent last: a slow one, one whose finger is on it


class Telling:
    """`clock` is monotonic, in seconds; a state is `fresh_s` old at most."""

    def __init__(self, view: View, clock: Callable[[], float], fresh_s: float) -> None:
        self._view = view
        self._clock = clock
        self._fresh_s = fresh_s
        self._state: State | None = None
        self._at = 0.0
        # By the identity of both, which are kept so that no other object takes their place.
        self._patches: OrderedDict[tuple[int, int], tuple[object, object, str]] = OrderedDict()

    def forget(self) -> None:
        """Something has changed: the next state is a new one."""
        self._state = None

    def state(self) -> State:
        """The state now. Raises `PlayerError` before the player has said hello once."""
        now = self._clock()
        if self._state is None or now - self._at >= self._fresh_s:
            self._state, self._at = self._view.calm(now), now
        return self._state

    def patch(self, old: Mapping[str, object], new: Mapping[str, object]) -> str:
        """The merge patch from one state to another, as JSON; "" when they are equal."""
        if old is new:
            return ""
        key = id(old), id(new)
        known = self._patches.get(key)
        if known is None:
            patch = merge_patch(old, new)
            text = json.dumps(patch, separators=(",", ":")) if patch else ""
            known = self._patches[key] = old, new, text
            if len(self._patches) > PAIRS_KEPT:
                self._patches.popitem(last=False)
        return known[2]
