"""A take played again offline and held against what was recorded."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import zip_longest
from typing import NamedTuple

from bridge.errors import BridgeError, CommandError
from bridge.files.take import WAITED, Take, TakeError
from bridge.paper.take_course import Places, Played, ends_at, played, score_of
from bridge.player.messages import Place
from bridge.player.replay import Replay, Row
from bridge.player.start import port_specs
from bridge.player.tape import AT_ONCE, REALTIME

SENDING_NS = 20_000_000


def replay_of(take: Take, made: Played) -> Replay:
    """The take, ready to be played again. Raises TakeError when that cannot be done exactly."""
    begin = take.head["begin"]
    if "continues" in begin:
        raise TakeError(f"this goes on from {begin['continues']}; only that begin can be replayed")
    if any(mark["is"] == "begin" for mark in take.marks):
        raise TakeError("the player was started again in this take; it cannot be replayed")
    try:
        return Replay(
            begin,
            take.marks,
            _turns(take),
            made.score,
            made.rig.wired,
            port_specs(made.rig.interfaces),
            lambda text: score_of(text, made.rig),
            timing=made.rig.timing,
            send_to=made.rig.clock.send_to,
            corrections=made.tuned,
        )
    except (KeyError, TypeError, ValueError) as error:
        raise TakeError(f"this take cannot be replayed: {error}") from None


class Standing(NamedTuple):
    """Where a take stood: the place, and the text of the set that played there."""

    place: Place
    text: str


def standing_at(take: Take, bar: int) -> Standing:
    """
    Where everything stood when a take came to a bar.

    Args:
        take: the take.
        bar: from 1, as its file and its list count them.

    Returns:
        What `bridge.player.dispatch.load` puts a player to.

    Raises:
        CommandError: kind ``unknown``, there is no such bar.
        TakeError: that cannot be done exactly.
    """
    made = played(take)
    again, ticks = replay_of(take, made), made.spec.bar_ticks
    places = Places(take, ticks)
    if places.first_jump is not None and (bar - 1) * ticks >= places.first_jump:
        last = max(1, -(-places.first_jump // ticks))
        raise TakeError(
            f"this take jumps to another place of the song in bar {last}; "
            "it goes on from the bars before that only"
        )
    tick = max(places.base + (bar - 1) * ticks, int(take.head["begin"]["tick"]))
    if tick >= ends_at(take):
        raise CommandError(f"this take has no bar {bar}", "unknown")
    try:
        place, text = again.place_at(tick)
    except CommandError as error:
        raise TakeError(f"this take cannot go on from there: {error}") from None
    return Standing(place, made.text if text is None else text)


def _turns(take: Take) -> Iterator[tuple[int, int]]:
    """Place and time of each value that had waited for its turn."""
    place = 0
    clock = [data[0] >= REALTIME for _, _, data in take.whats]
    for due, late, what in zip(take.due, take.late, take.what, strict=True):
        if late == WAITED:
            yield place, due
        place += not clock[what]


def _near(one: Row | None, other: Row | None) -> bool:
    """Whether two messages that left at once are the same. When such a one left is known only from
    the clock after it was sent, so the port's own time is in it."""
    if one is None or other is None or one[1:] != other[1:]:
        return False
    return abs(one.due - other.due) < SENDING_NS


class Compared(NamedTuple):
    """`messages` that are the same before the first that is not (`recorded`, `again`; None: one of
    them is shorter); both None when all are."""

    messages: int
    recorded: Row | None
    again: Row | None

    @property
    def same(self) -> bool:
        return self.recorded is None and self.again is None


def compare(take: Take, made: Played | None = None) -> Compared:
    """
    Plays a take again and compares every message with its deadline. MIDI clock, which goes on by
    itself before and after, is left out.

    Raises:
        TakeError: it cannot be played again.
    """
    again = replay_of(take, made or played(take))
    try:
        again.run()
    except BridgeError as error:
        raise TakeError(f"this take cannot be replayed: {error}") from None
    recorded = (Row(due, port, data) for _, due, port, _, data in take.sent() if data[0] < REALTIME)
    rows = (row for row in again.rows if row.data[0] < REALTIME)
    clock, count = [data[0] >= REALTIME for _, _, data in take.whats], 0
    lates = (late for late, what in zip(take.late, take.what, strict=True) if not clock[what])
    for one, other, late in zip_longest(recorded, rows, lates):
        if one != other and not (late == AT_ONCE and _near(one, other)):
            return Compared(count, one, other)
        count += 1
    return Compared(count, None, None)
