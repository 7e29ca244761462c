"""What was set in one score holds in the one that takes its place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from bridge.errors import CommandError
from bridge.music import snapshot
from bridge.music.performance import Performance

if TYPE_CHECKING:
    from bridge.protocol.state import PerformanceState

Names = Mapping[str, Mapping[str, str]]
"""New names by old ones, of lanes, macros and sections."""


def go_on(
    performance: Performance,
    state: PerformanceState,
    renamed: Names,
    parts: Mapping[str, object],
    tick: int,
) -> None:
    """Put the state of the old score into the new one. Parts that cannot be restored are left out,
    so that the music goes on.

    Args:
        performance: of the new score.
        state: that of the old one.
        renamed: new names by old ones, of lanes, macros and sections.
        parts: what of an earlier state comes back.
        tick: that of now.
    """
    state = snapshot.renamed(state, renamed)
    if parts:
        try:
            performance.restore(snapshot.overlay(state, parts), tick)
        except (CommandError, KeyError, TypeError, ValueError, AttributeError):
            pass
        else:
            return
    performance.restore(state, tick)
