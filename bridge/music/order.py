"""The running order: which entry follows, and which section an entry that chooses takes.

A choice is drawn for the seed and the number of entries begun since the order was run, so the same
night plays again. The section that plays already is never chosen: one never comes twice running.
"""

from __future__ import annotations

from bridge.music import chance
from bridge.music.model import Entry, SetSpec


def place_after(spec: SetSpec, place: int, time: int = 0) -> tuple[int, int]:
    """
    The entry that follows, and which time of it that is.

    Args:
        spec: the set.
        place: the entry that plays, counted from 0.
        time: which of its times that is, from 0; only entries that choose come several times, for
            each time may bring another section.

    Returns:
        Place and time. A place one past the last: the order ends.
    """
    entry = spec.order[place]
    if entry.choose and time + 1 < entry.times:
        return place, time + 1
    then = place + 1
    return (0 if spec.order_again and then >= len(spec.order) else then), 0


def section_of(spec: SetSpec, place: int, begun: int, playing: str | None) -> str:
    """
    The section that an entry brings.

    Args:
        spec: the set.
        place: the entry, counted from 0.
        begun: how many entries have begun before it since the order was run.
        playing: the section that plays until then.

    Returns:
        Its name.
    """
    entry = spec.order[place]
    return chosen(entry, spec.seed, begun, playing) if entry.choose else entry.section


def chosen(entry: Entry, seed: int, begun: int, playing: str | None) -> str:
    """One of the sections that an entry chooses among, each as likely as its weight says among
    those that do not play already."""
    rest = [(name, weight) for name, weight in entry.choose if name != playing] or list(
        entry.choose
    )
    left = chance.draw(chance.key(seed, "order", "choose"), begun, 0) * sum(w for _, w in rest)
    for name, weight in rest:
        left -= weight
        if left < 0.0:
            return name
    return rest[-1][0]
